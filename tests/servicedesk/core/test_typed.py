"""Reading what anybody can write into an address: a value that can be looked for, or none."""

from __future__ import annotations

import json
from base64 import urlsafe_b64encode
from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.core.values.typed import (
    FIRST_DAY,
    LARGEST_KEY,
    LAST_DAY,
    read_day,
    read_key,
    read_scrap,
    read_token,
    write_token,
)


@pytest.mark.parametrize(
    ("value", "key"),
    [("7", 7), (7, 7), ("٧", 7), ("0", 0), (str(LARGEST_KEY), LARGEST_KEY), (str(LARGEST_KEY + 1), None)],
)
def test_a_number_of_a_record(value: object, key: int | None) -> None:
    assert read_key(value) == key


@pytest.mark.parametrize(
    "value", ["", "-1", "1.0", "1e3", "²", "½", " 1", "1_0", "9" * 5000, None, True, [], {}]
)
def test_what_is_no_number_of_a_record(value: object) -> None:
    assert read_key(value) is None


@given(st.text(max_size=30))
def test_any_text_is_a_key_that_can_be_kept_or_none(text: str) -> None:
    key = read_key(text)
    assert key is None or 0 <= key <= LARGEST_KEY


@pytest.mark.parametrize(
    ("value", "scrap"), [(" 14 Gull St ", "14 Gull St"), ("x\0y", "xy"), ("\0 \0", ""), ("", ""), (None, "")]
)
def test_what_somebody_looks_for(value: str | None, scrap: str) -> None:
    assert read_scrap(value) == scrap


@pytest.mark.parametrize(
    "value", ["0001-01-01", "9999-12-31", "1899-12-31", "2200-01-01", "2026-02-30", "", "x", None, 5]
)
def test_what_is_no_day_of_a_record(value: object) -> None:
    assert read_day(value) is None


def test_the_first_and_the_last_day() -> None:
    assert (read_day("1900-01-01"), read_day(" 2199-12-31 ")) == (FIRST_DAY, LAST_DAY)
    assert read_day(date(2026, 3, 31)) == date(2026, 3, 31)


@given(st.lists(st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\0")), max_size=4))
def test_a_token_comes_back(values: list[str]) -> None:
    assert read_token(write_token(values)) == values


def token_of(value: object) -> str:
    """Write anything as a token."""
    return urlsafe_b64encode(json.dumps(value).encode()).decode().rstrip("=")


@pytest.mark.parametrize(
    "token",
    [
        *("", "x", "é", "====", "A" * 4001, urlsafe_b64encode(b"[" * 2900).decode()),
        *map(token_of, (None, 5, "x", {"a": "b"}, [1], [["x"]], ["\0"], ["\ud800"], [None], [1e999])),
    ],
)
def test_a_mangled_token_is_none(token: str) -> None:
    assert read_token(token) is None
