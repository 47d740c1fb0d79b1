"""Time and failures by group and year of age, against sums row by row."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.reports.curves.age_sums import STEPS, expected_a_year, months_by_age, sum_by_age, sum_by_cell
from servicedesk.reports.histories import CountingRows

ROW = st.tuples(
    st.integers(0, 6000), st.integers(1, 3000), st.integers(0, 3), st.integers(0, 2), st.integers(0, 4)
)


def as_rows(drawn: list[tuple[int, int, int, int, int]]) -> tuple[CountingRows, np.ndarray]:
    """Put drawn spans into rows, with their groups."""
    rows = CountingRows(
        start=np.array([begin for begin, *_ in drawn], dtype=float),
        stop=np.array([begin + length for begin, length, *_ in drawn], dtype=float),
        event=np.array([count for _, _, count, *_ in drawn]),
        item=np.arange(len(drawn)),
        site=np.array([site for *_, site in drawn]),
    )
    return rows, np.array([group for *_, group, _ in drawn])


@given(st.lists(ROW, min_size=1, max_size=15))
def test_sums_and_what_is_expected_are_those_of_plain_loops(
    drawn: list[tuple[int, int, int, int, int]],
) -> None:
    rows, group = as_rows(drawn)
    sums = sum_by_age(rows, group, size=3)
    events, days = np.zeros((3, len(STEPS) - 1)), np.zeros((3, len(STEPS) - 1))
    failed: list[set[int]] = [set(), set(), set()]
    for begin, length, count, where, site in drawn:
        end = begin + length
        for step in range(len(STEPS) - 1):
            days[where, step] += max(0.0, min(end, STEPS[step + 1]) - max(begin, STEPS[step]))
            if STEPS[step] < end <= STEPS[step + 1]:
                events[where, step] += count
        if count:
            failed[where].add(site)
    assert sums.events.tolist() == events.tolist()
    assert sums.days == pytest.approx(days)
    assert sums.failed_sites.tolist() == [len(sites) for sites in failed]
    observed, expected = sums.like_others()
    for where in range(3):
        due = failures = 0.0
        for step in range(len(STEPS) - 1):
            others = [each for each in range(3) if each != where]
            watched = sum(days[each, step] for each in others)
            if watched:
                due += days[where, step] * sum(events[each, step] for each in others) / watched
                failures += events[where, step]
        assert expected[where] == pytest.approx(due)
        assert observed[where] == failures


@given(st.lists(ROW, min_size=1, max_size=15), st.integers(0, 2000))
def test_months_add_up_to_the_whole(drawn: list[tuple[int, int, int, int, int]], first: int) -> None:
    rows, group = as_rows(drawn)
    fitted = np.array([700_000 + 17 * number for number in range(len(drawn))])
    begin = 700_000 + first
    events, days = months_by_age(
        rows, fitted, group, size=3, ends=[begin, begin + 30, begin + 61, begin + 20_000]
    )
    whole, time = months_by_age(rows, fitted, group, size=3, ends=[begin, begin + 20_000])
    assert events.sum(axis=0) == pytest.approx(whole[0])
    assert days.sum(axis=0) == pytest.approx(time[0])
    counted = sum(
        count
        for number, (start, length, count, *_) in enumerate(drawn)
        if begin < 700_000 + 17 * number + start + length <= begin + 20_000
    )
    assert whole.sum() == counted


@given(st.lists(ROW, min_size=1, max_size=15))
def test_the_sites_of_each_group_add_up_to_it(drawn: list[tuple[int, int, int, int, int]]) -> None:
    rows, group = as_rows(drawn)
    plain, by_cell = sum_by_age(rows, group, size=3), sum_by_cell(rows, group, size=3)
    whole = by_cell.by_group()
    assert whole.events.tolist() == plain.events.tolist()
    assert whole.days == pytest.approx(plain.days)
    assert whole.failed_sites.tolist() == plain.failed_sites.tolist()
    cells = by_cell.like_all()
    assert sorted(zip(cells.group, cells.site, strict=True)) == sorted(
        {(where, sorted({each[4] for each in drawn}).index(site)) for *_, where, site in drawn}
    )
    # What is expected of all groups together is what failed.
    assert cells.expected.sum() == pytest.approx(plain.events.sum())


def test_a_year_to_come_counts_the_parts_in_place_at_their_ages() -> None:
    rows, group = as_rows([(0, 300, 0, 0, 1), (0, 700, 1, 0, 1), (0, 800, 0, 1, 2)])
    rates = np.zeros(len(STEPS) - 1)
    rates[:3] = 0.001, 0.002, 0.003
    # The second part went out of sight before the last day.
    expected = expected_a_year(rows, np.array([300, 900, 800]), group, rates, size=2)
    assert expected == pytest.approx([0.36525, 1.09575])
