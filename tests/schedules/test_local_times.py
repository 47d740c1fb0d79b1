"""Times agreed on the telephone, in a zone whose clocks change.

Check values: the dates of the changes in New York in 2026 (March 8, November 1) follow from the Energy Policy
Act of 2005, section 110: second Sunday of March and first Sunday of November, at 2 in the morning.
"""

from __future__ import annotations

from datetime import UTC, date, datetime, time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from schedules.local_times import moment_of, wall_time

NEW_YORK = "America/New_York"


@pytest.mark.parametrize(
    ("day", "at", "moment"),
    [
        (date(2026, 1, 15), time(9, 0), datetime(2026, 1, 15, 14, 0, tzinfo=UTC)),
        (date(2026, 7, 15), time(9, 0), datetime(2026, 7, 15, 13, 0, tzinfo=UTC)),
        (date(2026, 3, 8), time(1, 59), datetime(2026, 3, 8, 6, 59, tzinfo=UTC)),
        (date(2026, 3, 8), time(3, 0), datetime(2026, 3, 8, 7, 0, tzinfo=UTC)),
        (date(2026, 11, 1), time(1, 30), datetime(2026, 11, 1, 5, 30, tzinfo=UTC)),  # the first of the two
        (date(2026, 11, 1), time(2, 0), datetime(2026, 11, 1, 7, 0, tzinfo=UTC)),
    ],
)
def test_a_time_stands_for_a_moment(day: date, at: time, moment: datetime) -> None:
    assert moment_of(day, at, zone=NEW_YORK) == moment


@pytest.mark.parametrize("at", [time(2, 0), time(2, 30), time(2, 59)])
def test_a_time_that_no_clock_shows_is_refused_with_one_that_exists(at: time) -> None:
    with pytest.raises(ValueError, match=r"does not exist on March 8, 2026: the clocks go forward") as error:
        moment_of(date(2026, 3, 8), at, zone=NEW_YORK)
    assert f"such as 3:{at:%M} AM" in str(error.value)


@given(
    st.dates(date(1971, 1, 1), date(2099, 12, 31)),
    st.times(),
    st.sampled_from([NEW_YORK, "Europe/London", "Australia/Lord_Howe", "Asia/Kathmandu"]),
)
def test_every_moment_shows_the_time_it_was_made_from(day: date, at: time, zone: str) -> None:
    try:
        moment = moment_of(day, at, zone=zone)
    except ValueError:
        return
    assert wall_time(moment, zone=zone) == datetime.combine(day, at.replace(second=0, microsecond=0))
