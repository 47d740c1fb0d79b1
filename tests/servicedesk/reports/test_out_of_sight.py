"""What nobody could have seen or told is not at risk: before a take-over, after the last word or look."""

from __future__ import annotations

from datetime import datetime, time

import pytest
from django.utils import timezone

from servicedesk.calls.models import Call
from servicedesk.reports.queries.cells import Cells, read_cells
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason
from servicedesk.reports.queries.lifetimes import read_histories
from servicedesk.reports.questions.exclusion_words import exclusion_lines
from servicedesk.reports.rates.figure import rates_figure
from tests.factories import FailureModeFactory, InspectionFactory, SiteFactory, WorkFactory
from tests.servicedesk.reports.small_fleets import Fleet, day, up_to
from units.models import InstalledPart, ObservationPeriod, Site, Unit

pytestmark = pytest.mark.django_db

TAKEN_OVER = ObservationPeriod.Began.TAKEN_OVER


def counted(last: int) -> tuple[int, int, dict[str, int]]:
    """Give days at risk and failures of all parts, and what was left out or noted."""
    cells: Cells = read_cells(up_to(last), by="component")
    noted = {
        str(exclusion_reason): number for exclusion_reason, number in cells.excluded.items()
    } | cells.notes
    shown = {name: number for name, number in noted.items() if number}
    shown.pop("newest_events", None)
    return int(cells.days.sum()), int(cells.events.sum()), shown


def taken_over(fleet: Fleet, on: int) -> InstalledPart:
    """Fit a part on the first day in a unit taken over on another."""
    unit = fleet.unit()
    period = fleet.watch(unit, on)
    ObservationPeriod.objects.filter(pk=period.pk).update(began=TAKEN_OVER)
    return fleet.fit(unit)


def call(unit: Unit, on: int) -> Call:
    """Take a call late in the evening of a day."""
    reported_at = timezone.make_aware(datetime.combine(day(on), time(22)))
    return Call.objects.create(site=unit.site, unit=unit, reported_at=reported_at)


@pytest.mark.parametrize(("called", "found_on", "counts"), [(100, 105, 0), (98, 190, 0), (101, 105, 1)])
def test_what_was_called_about_when_a_unit_was_taken_over_was_there_before(
    called: int, found_on: int, counts: int
) -> None:
    fleet = Fleet()
    part = taken_over(fleet, 100)
    fleet.find(part, found_on, call=call(part.unit, called))
    _, events, noted = counted(200)
    assert events == counts
    assert noted.get("found_at_take_over", 0) == 1 - counts


@pytest.mark.parametrize(("found_on", "counts"), [(130, 0), (131, 1)])
def test_what_nobody_called_about_was_there_if_found_within_thirty_days(found_on: int, counts: int) -> None:
    fleet = Fleet()
    fleet.find(taken_over(fleet, 100), found_on)
    assert counted(200)[1] == counts


def test_a_part_we_fitted_after_the_take_over_fails_on_its_own() -> None:
    fleet = Fleet()
    part = taken_over(fleet, 100)
    InstalledPart.objects.filter(pk=part.pk).update(fitted_on=day(101))
    fleet.find(part, 110)
    assert counted(200)[1] == 1


def test_a_unit_we_fitted_has_no_take_over() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    fleet.find(part, 5)
    fleet.find(part, 9, call=call(part.unit, 0))
    assert counted(200)[1] == 2


def test_time_ends_before_the_last_word_of_a_site_once_cared_for_and_silent_for_two_years() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    WorkFactory(unit=part.unit, kind="cleaned", done_on=day(300))
    fleet.find(part, 200)
    fleet.find(part, 400)
    assert counted(400 + 730) == (1130, 2, {})
    assert counted(400 + 731) == (399, 1, {"last_word": 1, "lost_units": 1})
    assert read_histories(up_to(1131), by="component").exit.tolist() == [399]
    lines = list(exclusion_lines(rates_figure(up_to(1131)).exclusions))
    assert any(
        line.startswith("Left out or noted: 1 unit stands where you do the maintenance") for line in lines
    )


def test_where_the_care_is_ours_two_silent_years_end_the_time_at_the_last_word() -> None:
    fleet = Fleet()
    part = fleet.watched_part(site=SiteFactory(care_by="us"))
    fleet.find(part, 100)
    fleet.find(part, 200)
    assert counted(200 + 730) == (930, 2, {})
    assert counted(200 + 731) == (199, 1, {"last_word": 1, "lost_units": 1})
    Site.objects.update(care_by="customer")
    assert counted(200 + 731) == (931, 2, {"silent_units": 1})


def test_where_the_care_is_ours_and_nothing_followed_there_is_no_time() -> None:
    fleet = Fleet()
    fleet.watched_part(site=SiteFactory(care_by="us"))
    assert counted(730) == (730, 0, {})
    assert counted(731) == (0, 0, {"lost_units": 1})


def test_any_word_from_a_site_keeps_it_in_sight() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    InspectionFactory(unit=part.unit, inspected_on=day(100))
    call(part.unit, 800)
    assert counted(1500) == (1500, 0, {})


def test_a_last_contact_that_somebody_noted_counts_as_care_and_as_a_word() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    ObservationPeriod.objects.update(last_contact_on=day(100))
    assert counted(1000) == (99, 0, {"lost_units": 1})
    fleet.find(part, 900, is_failure=False)
    assert counted(1000)[0] == 1000


def test_where_contact_was_lost_time_ends_at_the_last_contact() -> None:
    fleet = Fleet()
    unit = fleet.unit()
    fleet.fit(unit)
    period = fleet.watch(unit, 0, 900)
    ObservationPeriod.objects.filter(pk=period.pk).update(ended="lapsed", last_contact_on=day(250))
    assert counted(1000)[0] == 250


def test_a_site_that_only_calls_is_counted_on_and_named() -> None:
    fleet = Fleet()
    fleet.find(fleet.watched_part(), 100)
    assert counted(1000) == (1000, 1, {"silent_units": 1})


def test_what_only_a_look_shows_counts_up_to_the_last_look() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    hidden = FailureModeFactory(kind="track", only_at_look=True)
    fleet.find(part, 100, mode=hidden)
    InspectionFactory(unit=part.unit, inspected_on=day(100))
    InspectionFactory(unit=part.unit, inspected_on=day(250))
    assert counted(500) == (250, 1, {"look_events": 1})
    # Rates of both sorts of mode add up: one in 500 days and one in 250 are two in 333.
    fleet.find(part, 300)
    assert counted(500) == (333, 2, {"look_events": 1})
    of_mode = up_to(500, mode=hidden.pk)
    assert read_cells(of_mode, by="component").days.tolist() == [250]
    assert read_histories(of_mode, by="component").exit.tolist() == [250]
    by_mode = read_cells(up_to(500), by="mode")
    assert sorted(by_mode.days.tolist()) == [250, 500]


def test_a_finding_that_alone_speaks_of_the_last_look_only_ends_the_time() -> None:
    fleet = Fleet()
    part = fleet.watched_part()
    hidden = FailureModeFactory(kind="track", only_at_look=True)
    for on in (100, 250):
        fleet.find(part, on, mode=hidden)
    assert counted(500) == (249, 1, {"look_events": 1, "last_word": 1})
    assert read_cells(up_to(500), by="component").excluded[ExclusionReason.LAST_WORD] == 1
