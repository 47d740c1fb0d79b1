"""Names compared as people spell them."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from units.names import plain_name


@pytest.mark.parametrize(
    "spelling",
    [
        "Bare-Metal  Track",
        " bare metal track ",
        "BARE\tMETAL\u2011TRACK",
        "bare\u00a0metal - track",
        "bare\u2014metal track",
    ],
)
def test_case_hyphens_and_extra_spaces_do_not_count(spelling: str) -> None:
    assert plain_name(spelling) == "bare metal track"


def test_commas_and_words_do_count() -> None:
    assert plain_name("Liner, rigid nylon") != plain_name("rigid nylon liner")
    assert plain_name("track 1") != plain_name("track 2")


@given(st.text())
def test_a_plain_name_is_plain(name: str) -> None:
    plain = plain_name(name)
    assert plain_name(plain) == plain
