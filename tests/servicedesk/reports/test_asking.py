"""From what is asked for, in an address or on the command line, to a selection, and back."""

from __future__ import annotations

from datetime import date

import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.questions.asking import QuestionError, read_selection
from servicedesk.reports.questions.selection import Selection, select
from servicedesk.reports.questions.traits import TRAITS
from tests.factories import ConstructionFactory
from tests.servicedesk.reports.small_fleets import Fleet

TODAY = date(2024, 12, 31)


def asked(**query: list[str]) -> Selection:
    return read_selection(query, today=TODAY)


def test_nothing_asked_is_everything_up_to_today() -> None:
    chosen = asked(part=[""], year=[" "])
    assert chosen == Selection(as_of=TODAY)
    assert (chosen.last, chosen.after, chosen.query()) == (TODAY, None, {})


@pytest.mark.django_db
def test_groups_are_read_by_key_or_by_name() -> None:
    fleet = Fleet()
    built = ConstructionFactory(name="Stepped")
    for text in (str(built.pk), "stepped", " STEPPED "):
        assert asked(construction=[text]).keys("construction") == (built.pk,)
    assert asked(component=["Nylon Liner", str(fleet.liner.pk)]).keys("component") == (fleet.liner.pk,)
    assert asked(facing=["south"]).keys("facing") == (4,)
    assert asked(year=["2020", "unknown"]).keys("year") == (2020, None)
    assert asked(lot=["L 7"]).keys("lot") == ("L 7",)


@pytest.mark.django_db
def test_a_failure_asked_for_alone_asks_for_parts_of_its_kind() -> None:
    fleet = Fleet()
    for text in ("TRK-01", "trk-01", "binds", str(fleet.binds.pk)):
        chosen = asked(mode=[text])
        assert (chosen.mode, chosen.keys("part")) == (fleet.binds.pk, ("track",))
    assert asked(mode=["binds"], component=["nylon liner"]).keys("part") == ()


def test_the_last_day_is_never_after_the_records_are_read() -> None:
    chosen = asked(until=["2030-01-01"], as_of=["2023-06-30"])
    assert chosen.last == date(2023, 6, 30)
    assert chosen.dated


@pytest.mark.parametrize(
    ("query", "name", "sentence"),
    [
        ({"from": ["tomorrow"]}, "from", "“tomorrow” is no first day: write it as year, month and day"),
        ({"until": ["2024-13-01"]}, "until", "“2024-13-01” is no last day"),
        ({"from": ["2024-02-02"], "until": ["2024-02-01"]}, "from", "swap them or leave one out"),
        ({"from": ["2025-01-01"]}, "from", "comes after the last, December 31, 2024"),
        ({"facing": ["up"]}, "facing", "“up” is no known facing. There are north, north-east"),
        ({"finish": ["puce"]}, "finish", "“puce” is no known color. There are white, light, medium, dark."),
        ({"year": ["MMXX"]}, "year", "“MMXX” is no year fitted; write it as a number."),
        ({"part": ["wheel"]}, "part", "“wheel” is no known kind of part. There are frame, track"),
    ],
)
def test_what_there_is_none_of_is_said_with_what_there_is(
    query: dict[str, list[str]], name: str, sentence: str
) -> None:
    with pytest.raises(QuestionError) as error:
        read_selection(query, today=TODAY)
    assert error.value.name == name
    assert sentence in str(error.value)


days = st.dates(date(2000, 1, 1), TODAY)
groups = {
    "part": st.sampled_from(["track", "corner", "film"]),
    "finish": st.sampled_from(["white", "dark", None]),
    "facing": st.sampled_from([*range(8), None]),
    "shade": st.sampled_from(["none", "part", None]),
    "coast": st.sampled_from(["near", "shore", None]),
    "lot": st.text("ABC 0123-/&?=%", min_size=1).filter(lambda text: text.strip()) | st.none(),
    "year": st.integers(1990, 2030) | st.none(),
}


@given(
    st.tuples(days, days).map(sorted),
    st.booleans(),
    st.booleans(),
    st.fixed_dictionaries(
        {},
        optional={
            name: st.lists(keys, min_size=1, max_size=3, unique=True).map(tuple)
            for name, keys in groups.items()
        },
    ),
)
def test_any_selection_comes_back_from_its_address(
    span: list[date], begins: bool, dated: bool, traits: dict[str, tuple[int | str | None, ...]]
) -> None:
    chosen = Selection(
        as_of=TODAY,
        dated=dated,
        from_on=span[0] if begins else None,
        until_on=span[1],
        traits=select(traits),
    )
    query = {name: value if isinstance(value, list) else [value] for name, value in chosen.query().items()}
    assert read_selection(query, today=TODAY) == chosen


def test_narrowing_puts_one_groups_in_place_of_others() -> None:
    chosen = Selection(as_of=TODAY, traits=select({"part": ("track", "film"), "year": (2020,)}))
    assert chosen.only("part", "film").keys("part") == ("film",)
    assert chosen.only("part").keys("part") == ()
    assert chosen.only("lot", None).keys("lot") == (None,)
    assert chosen.of_mode(3).always().query()["mode"] == "3"


def test_every_trait_writes_a_group_as_it_reads_it() -> None:
    for trait in TRAITS.values():
        assert trait.read(trait.write(None)) is None
