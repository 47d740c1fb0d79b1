"""When care is next due: worked cases, a twin that walks the calendar, dateutil, and laws that must hold."""

from __future__ import annotations

import subprocess
import sys
from calendar import isleap
from datetime import date, datetime, timedelta
from pathlib import Path

import pytest
from dateutil.relativedelta import relativedelta
from hypothesis import assume, example, given, settings
from hypothesis import strategies as st

from schedules.maintenance.recurrence import Season, add_months, next_due, preview

SPRING = Season(3, 1, 5, 31)
WINTER = Season(11, 1, 2, 29)

days = st.dates(min_value=date(1990, 1, 1), max_value=date(2150, 12, 31))
intervals = st.integers(min_value=1, max_value=130)
# 2024 is a leap year, so that 29 February is drawn too.
days_of_year = st.dates(min_value=date(2024, 1, 1), max_value=date(2024, 12, 31))
seasons = st.builds(
    lambda first, last: Season(first.month, first.day, last.month, last.day), days_of_year, days_of_year
)


def days_between(earlier: date, later: date) -> int:
    """Count the days from one day to another."""
    return (later - earlier).days


# --- seasons ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("ends", "sentence"),
    [
        ((4, 31, 5, 31), "The first day of the season is 31 April: April has the days 1 to 30."),
        ((3, 1, 2, 30), "The last day of the season is 30 February: February has the days 1 to 29."),
        ((0, 1, 5, 31), "The first day of the season is in month 0: give a month from 1 to 12."),
        ((3, 1, 13, 1), "The last day of the season is in month 13: give a month from 1 to 12."),
        ((3, 0, 5, 31), "The first day of the season is 0 March: March has the days 1 to 31."),
    ],
)
def test_a_season_refuses_days_no_year_has(ends: tuple[int, int, int, int], sentence: str) -> None:
    with pytest.raises(ValueError, match="season") as refusal:
        Season(*ends)
    assert str(refusal.value) == sentence


def test_a_season_may_run_over_new_year() -> None:
    assert WINTER.runs_over_new_year
    assert not SPRING.runs_over_new_year
    inside = [date(2026, 11, 1), date(2026, 12, 31), date(2027, 1, 1), date(2027, 2, 28)]
    outside = [date(2026, 10, 31), date(2027, 3, 1), date(2027, 7, 1)]
    assert [WINTER.contains(day) for day in inside] == [True] * 4
    assert [WINTER.contains(day) for day in outside] == [False] * 3
    assert WINTER.window(2026) == (date(2026, 11, 1), date(2027, 2, 28))
    assert WINTER.window(2027) == (date(2027, 11, 1), date(2028, 2, 29))


def test_the_29th_of_february_is_the_last_day_of_february() -> None:
    assert Season(2, 29, 3, 31).window(2027) == (date(2027, 2, 28), date(2027, 3, 31))
    assert Season(2, 29, 3, 31).window(2028) == (date(2028, 2, 29), date(2028, 3, 31))
    assert not Season(11, 1, 2, 28).contains(date(2028, 2, 29))
    assert Season(11, 1, 2, 29).contains(date(2028, 2, 29))


@given(season=seasons, day=days)
def test_a_day_is_in_season_when_one_of_the_windows_holds_it(season: Season, day: date) -> None:
    windows = [season.window(year) for year in range(day.year - 2, day.year + 2)]
    assert season.contains(day) == any(opens <= day <= closes for opens, closes in windows)


# --- months ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("day", "months", "expected"),
    [
        (date(2026, 1, 31), 1, date(2026, 2, 28)),
        (date(2028, 1, 31), 1, date(2028, 2, 29)),
        (date(2026, 8, 31), 1, date(2026, 9, 30)),
        (date(2028, 2, 29), 12, date(2029, 2, 28)),
        (date(2028, 2, 29), 48, date(2032, 2, 29)),
        (date(2026, 12, 15), 1, date(2027, 1, 15)),
        (date(2026, 3, 31), -1, date(2026, 2, 28)),
        (date(2026, 3, 31), 0, date(2026, 3, 31)),
        (date(9998, 12, 31), 12, date(9999, 12, 31)),
    ],
)
def test_months_stop_at_month_ends(day: date, months: int, expected: date) -> None:
    assert add_months(day, months) == expected


@given(day=days, months=st.integers(min_value=-1000, max_value=1000))
def test_months_agree_with_dateutil(day: date, months: int) -> None:
    assert add_months(day, months) == day + relativedelta(months=months)


@pytest.mark.parametrize("months", [12, -12 * 9999, 10**12])
def test_months_beyond_the_calendar_are_refused(months: int) -> None:
    with pytest.raises(ValueError, match="outside the years 1 to 9999: give fewer months"):
        add_months(date(9999, 1, 1), months)


def test_a_moment_is_not_a_day() -> None:
    with pytest.raises(ValueError, match="give a date, not a date with a time"):
        add_months(datetime(2026, 5, 1, 9, 0), 1)  # noqa: DTZ001 - the refusal of a moment is the subject here


# --- next due --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("last_done", "interval_months", "season", "expected"),
    [
        # In season: stays.
        (date(2025, 4, 10), 12, SPRING, date(2026, 4, 10)),
        (date(2025, 3, 1), 12, SPRING, date(2026, 3, 1)),
        (date(2025, 5, 31), 12, SPRING, date(2026, 5, 31)),
        # Done early, late, and so late that the next spring is nearer.
        (date(2025, 2, 10), 12, SPRING, date(2026, 3, 1)),
        (date(2025, 7, 15), 12, SPRING, date(2026, 5, 31)),
        (date(2025, 11, 20), 12, SPRING, date(2027, 3, 1)),
        # 15 October 2026 lies 137 days from 31 May 2026 and from 1 March 2027: the earlier wins.
        (date(2025, 10, 15), 12, SPRING, date(2026, 5, 31)),
        (date(2025, 10, 16), 12, SPRING, date(2027, 3, 1)),
        # Half-interval guard: 31 May 2026 is nearer, but only 11 of 61 days after the last care.
        (date(2026, 5, 20), 2, SPRING, date(2027, 3, 1)),
        # From 30 April, 31 May is 31 of 61 days on, just past half, so it stands; from 1 May it is 30 of 61.
        (date(2026, 4, 30), 2, SPRING, date(2026, 5, 31)),
        (date(2026, 5, 1), 2, SPRING, date(2027, 3, 1)),
        # Over new year.
        (date(2026, 9, 20), 12, WINTER, date(2027, 11, 1)),
        (date(2026, 3, 10), 12, WINTER, date(2027, 2, 28)),
        (date(2027, 3, 10), 12, WINTER, date(2028, 2, 29)),
        (date(2026, 1, 15), 12, WINTER, date(2027, 1, 15)),
        # A season of one day a year.
        (date(2026, 6, 2), 12, Season(6, 1, 6, 1), date(2027, 6, 1)),
        # No season: any day will do.
        (date(2026, 8, 31), 6, None, date(2027, 2, 28)),
    ],
)
def test_worked_cases(last_done: date, interval_months: int, season: Season | None, expected: date) -> None:
    assert next_due(last_done, interval_months=interval_months, season=season) == expected


def walk_to_next_due(last_done: date, interval_months: int, season: Season) -> date:
    """Find the due day a step at a time: the nearest day, in season and at least half an interval on."""
    raw = last_done + relativedelta(months=interval_months)
    in_season = walk_through_seasons(season, from_year=raw.year - 2, until_year=raw.year + 2)
    for step in range(370):
        for day in (raw - timedelta(days=step), raw + timedelta(days=step)):
            late_enough = 2 * days_between(last_done, day) >= days_between(last_done, raw)
            if late_enough and day in in_season:
                return day
    raise AssertionError("no day of the season within a year")


def walk_through_seasons(season: Season, *, from_year: int, until_year: int) -> set[date]:
    """Walk from each opening day to the closing day that follows it and note the days passed."""
    passed: set[date] = set()
    ends_before_it_begins = (season.until_month, season.until_day) < (season.from_month, season.from_day)
    day = date(from_year, 1, 1)
    while day.year <= until_year:
        if is_day_of_year(day, season.from_month, season.from_day):
            walked = day
            passed.add(walked)
            if ends_before_it_begins:
                walked += timedelta(days=1)
                passed.add(walked)
            while not is_day_of_year(walked, season.until_month, season.until_day):
                walked += timedelta(days=1)
                passed.add(walked)
        day += timedelta(days=1)
    return passed


def is_day_of_year(day: date, month: int, day_of_month: int) -> bool:
    """Compare month and day, the 29th of February being the last day of February."""
    if (month, day_of_month) == (2, 29) and not isleap(day.year):
        day_of_month = 28
    return (day.month, day.day) == (month, day_of_month)


@settings(deadline=None)  # the walk takes some 1,800 steps, which a busy machine may stretch
@given(last_done=days, interval_months=intervals, season=seasons)
@example(last_done=date(2027, 8, 29), interval_months=12, season=Season(2, 29, 2, 29))
@example(last_done=date(2023, 8, 30), interval_months=12, season=Season(3, 1, 2, 28))
@example(last_done=date(2026, 3, 1), interval_months=12, season=Season(2, 29, 2, 28))
@example(last_done=date(2026, 5, 20), interval_months=2, season=SPRING)
def test_next_due_agrees_with_a_day_by_day_walk(
    last_done: date, interval_months: int, season: Season
) -> None:
    due = next_due(last_done, interval_months=interval_months, season=season)
    assert due == walk_to_next_due(last_done, interval_months, season)


@given(last_done=days, interval_months=intervals, season=seasons)
def test_next_due_is_in_season_after_the_last_care_and_past_half_the_interval(
    last_done: date, interval_months: int, season: Season
) -> None:
    due = next_due(last_done, interval_months=interval_months, season=season)
    raw = last_done + relativedelta(months=interval_months)
    assert season.contains(due)
    assert due > last_done
    assert 2 * days_between(last_done, due) >= days_between(last_done, raw)
    # Two openings of a season are at most 366 days apart, so that care is never put off by more.
    assert days_between(raw, due) <= 366


@given(last_done=days, interval_months=intervals)
def test_without_a_season_next_due_is_the_interval_alone(last_done: date, interval_months: int) -> None:
    due = next_due(last_done, interval_months=interval_months, season=None)
    assert due == last_done + relativedelta(months=interval_months)


@given(
    last_done=days,
    days_later=st.integers(min_value=0, max_value=800),
    interval_months=intervals,
    season=st.none() | seasons,
)
@example(last_done=date(2025, 10, 15), days_later=1, interval_months=12, season=SPRING)
@example(last_done=date(2026, 4, 30), days_later=1, interval_months=2, season=SPRING)
@example(last_done=date(2026, 1, 30), days_later=1, interval_months=1, season=None)
def test_care_done_later_is_never_due_earlier(
    last_done: date, days_later: int, interval_months: int, season: Season | None
) -> None:
    later = last_done + timedelta(days=days_later)
    due = next_due(last_done, interval_months=interval_months, season=season)
    assert next_due(later, interval_months=interval_months, season=season) >= due


@given(
    last_done=days,
    interval_months=intervals,
    months_longer=st.integers(min_value=0, max_value=40),
    season=st.none() | seasons,
)
def test_a_longer_interval_is_never_due_earlier(
    last_done: date, interval_months: int, months_longer: int, season: Season | None
) -> None:
    due = next_due(last_done, interval_months=interval_months, season=season)
    longer = next_due(last_done, interval_months=interval_months + months_longer, season=season)
    assert longer >= due


def test_later_care_is_not_always_due_later() -> None:
    summer = [date(2025, 6, 1) + timedelta(days=step) for step in range(137)]
    assert summer[-1] == date(2025, 10, 15)
    assert {next_due(day, interval_months=12, season=SPRING) for day in summer} == {date(2026, 5, 31)}


@pytest.mark.parametrize("interval_months", [0, -3])
def test_an_interval_is_at_least_a_month(interval_months: int) -> None:
    with pytest.raises(ValueError, match=f"interval of {interval_months} months cannot be: give 1 month"):
        next_due(date(2026, 1, 1), interval_months=interval_months, season=None)


@pytest.mark.parametrize("last_done", [date(9997, 7, 1), date(1, 6, 1)])
def test_seasons_at_the_ends_of_the_calendar_are_refused(last_done: date) -> None:
    with pytest.raises(ValueError, match="no season left in the calendar"):
        next_due(last_done, interval_months=1 if last_done.year == 1 else 18, season=SPRING)


# --- preview ---------------------------------------------------------------------------------------


def test_preview_lists_the_days_in_a_row_up_to_and_including_the_last() -> None:
    seen = preview(date(2025, 2, 10), interval_months=12, season=SPRING, until=date(2028, 3, 1))
    assert seen == [date(2026, 3, 1), date(2027, 3, 1), date(2028, 3, 1)]
    assert preview(date(2026, 1, 1), interval_months=12, season=None, until=date(2026, 12, 31)) == []


def test_preview_of_a_short_interval_skips_the_closed_part_of_the_year() -> None:
    seen = preview(date(2026, 3, 1), interval_months=1, season=SPRING, until=date(2027, 4, 30))
    assert seen == [
        date(2026, 4, 1),
        date(2026, 5, 1),
        # Raw 1 June is a day out of season and moves to 31 May. Raw 30 June would move to 31 May again, the
        # very day of the last care, so that half an interval takes it to the next spring.
        date(2026, 5, 31),
        date(2027, 3, 1),
        date(2027, 4, 1),
    ]


@given(last_done=days, interval_months=intervals, season=st.none() | seasons, years=st.integers(0, 12))
def test_preview_counts_each_day_from_the_one_before(
    last_done: date, interval_months: int, season: Season | None, years: int
) -> None:
    until = last_done + timedelta(days=366 * years)
    seen = preview(last_done, interval_months=interval_months, season=season, until=until)
    assume(seen)
    assert seen == sorted(set(seen))
    assert seen[-1] <= until < next_due(seen[-1], interval_months=interval_months, season=season)
    for earlier, later in zip([last_done, *seen], seen, strict=False):
        assert later == next_due(earlier, interval_months=interval_months, season=season)


# --- the module itself -----------------------------------------------------------------------------


def test_the_module_imports_no_django() -> None:
    program = "import sys, schedules.maintenance.recurrence; print('django' in sys.modules)"
    root = Path(__file__).parents[2]
    seen = subprocess.run(
        [sys.executable, "-c", program], cwd=root, capture_output=True, text=True, check=True
    )
    assert seen.stdout.strip() == "False"
