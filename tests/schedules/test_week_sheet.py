"""The pages of the week sheet: rounds, moving a visit, who works when, agreed times, the weather."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta
from decimal import Decimal

import pytest
import time_machine
from django.test import Client
from django.utils import timezone

from schedules.models import Absence, AgreedTime, DayWeather, Visit, WeekPlan, WorkingDay, WorkTerms
from schedules.operations import confirm_visit, solve_waiting_weeks
from schedules.plans.sheet import read_route
from schedules.visits.moving import list_options, read_moves
from servicedesk.accounts.models import User
from tests.factories import VisitFactory
from tests.schedules.planned_visits import told
from tests.schedules.weeks_of_work import (
    MONDAY,
    SUNDAY_NOON,
    plan_week,
    proposals,
    site_at,
    technician,
    work_at,
)

pytestmark = pytest.mark.django_db

SHEET = "/week/?week=2026-05-04"


@pytest.fixture(autouse=True)
def _sunday() -> object:
    """Stand on the Sunday before the week."""
    with time_machine.travel(SUNDAY_NOON, tick=False):
        yield


@pytest.fixture
def installation(scheduler: User) -> Client:
    """A scheduler's browser."""
    client = Client()
    client.force_login(scheduler)
    return client


def test_an_empty_week_says_how_to_begin(installation: Client) -> None:
    page = told(installation.get(SHEET).content)
    assert "Nobody is on the road." in page
    assert "Plan the week of " in page
    assert "After the week is planned, what could not be scheduled is listed here" in page


def test_a_week_is_asked_for_planned_and_shown(installation: Client) -> None:
    person = technician(name="Testa Roundsperson")
    for number in range(4):
        work_at(site_at(number))
    work_at(site_at(9), level=3)
    answer = installation.post("/week/plan/", {"week": "2026-05-06", "horizon": "14"})
    assert answer["Location"] == SHEET
    assert "is waiting to be planned" in told(installation.get(SHEET).content)
    plan = WeekPlan.objects.get()
    by_script = {"hx-request": "true"}
    assert installation.get(f"/week/plan/{plan.pk}/")["Location"] == SHEET
    progress = installation.get(f"/week/plan/{plan.pk}/", headers=by_script)
    assert "hx-get" in progress.content.decode()
    assert "HX-Redirect" not in progress
    solve_waiting_weeks(at=SUNDAY_NOON, number=40)
    assert installation.get(f"/week/plan/{plan.pk}/", headers=by_script)["HX-Redirect"] == SHEET
    page = told(installation.get(SHEET).content)
    assert "4 visits made" in page
    assert "4 visits of the week are not confirmed yet" in page
    assert "Nobody who works that week has the skill it needs" in page
    assert f'href="/routes/{person.pk}/{proposals()[0].local_start.date()}/"' in page


def test_asking_twice_is_told(installation: Client) -> None:
    for _ in range(2):
        answer = installation.post("/week/plan/", {"week": "2026-05-04", "horizon": "14"}, follow=True)
    assert "being planned already" in told(answer.content)
    bad = installation.post("/week/plan/", {"week": "soon", "horizon": "3"}, follow=True)
    assert bad.status_code == 200
    assert 'class="told error"' in bad.content.decode()


def test_driving_and_working_are_added_up_and_troubles_told(installation: Client) -> None:
    person = technician()
    for hour in (13, 14, 15):
        visit = VisitFactory(site=site_at(hour), starts_at=datetime(2026, 5, 4, hour, 0, tzinfo=UTC))
        visit.technicians.add(person)
    route = read_route(person, MONDAY)
    assert route is not None
    assert route.working == 180
    assert route.driving == sum(leg.drive for leg in route.legs) + route.drive_home
    assert [leg.late > 0 for leg in route.legs] == [False, True, True]
    assert "min too short before 10:00" in told(installation.get(SHEET).content)
    Absence.objects.create(person=person, first_on=MONDAY, last_on=MONDAY, note="at a course")
    assert "is away, at a course on this day" in told(installation.get(SHEET).content)


def test_no_room_for_lunch_is_told() -> None:
    person = technician()
    site = site_at(3)
    for begins, minutes in ((14, 150), (17, 180)):
        start = datetime(2026, 5, 4, begins, 0, tzinfo=UTC)
        visit = VisitFactory(site=site, starts_at=start, ends_at=start + timedelta(minutes=minutes))
        visit.technicians.add(person)
    route = read_route(person, MONDAY)
    assert route is not None
    # From 12:30 to 13:00 there is half an hour between the two at one place.
    assert not route.no_lunch
    Visit.objects.filter(ends_at__lt=start).update(ends_at=start - timedelta(minutes=10))
    again = read_route(person, MONDAY)
    assert again is not None
    assert again.no_lunch


@pytest.mark.parametrize(
    ("times", "far", "missing"),
    [
        ([("13:30", 45)], 0.0, False),  # sets off after noon: there was time before
        ([("11:20", 160)], 0.0, True),  # out from before half past eleven to two without a break
        ([("10:00", 180)], 0.3, False),  # half an hour after the last one, before the long way home
        ([("08:00", 200), ("11:40", 120)], 0.0, True),  # twenty minutes between are too few
        ([("08:00", 200), ("11:50", 120)], 0.0, False),
    ],
)
@pytest.mark.parametrize("works", [True, False])
def test_a_gap_for_lunch_counts_wherever_it_lies(
    times: list[tuple[str, int]], far: float, missing: bool, works: bool
) -> None:
    person, site = technician(), site_at(3)
    WorkTerms.objects.create(person=person, latitude=site.latitude + far, longitude=site.longitude)
    weekday = MONDAY.weekday() if works else 6
    WorkingDay.objects.create(person=person, weekday=weekday, begins=time(8), ends=time(16, 30))
    for clock, minutes in times:
        start = timezone.make_aware(datetime.combine(MONDAY, time.fromisoformat(clock)))
        visit = VisitFactory(site=site, starts_at=start, ends_at=start + timedelta(minutes=minutes))
        visit.technicians.add(person)
    sheet = read_route(person, MONDAY)
    assert sheet is not None
    assert sheet.no_lunch == missing


def test_a_round_can_be_taken_along(installation: Client) -> None:
    person = technician(name="Testa Roundsperson")
    for number in (1, 2):
        work_at(site_at(number, access_notes="Key under the frog"), reason="Wash the film")
    plan_week()
    day = proposals()[0].local_start.date()
    page = told(installation.get(f"/routes/{person.pk}/{day}/").content)
    assert "Key under the frog" in page
    assert "Wash the film" in page
    assert 'role="img"' in page
    assert 'href="geo:' in page
    mine = Client()
    mine.force_login(person)
    assert mine.get(f"/routes/{person.pk}/{day}/").status_code == 200
    other = Client()
    other.force_login(technician())
    assert other.get(f"/routes/{person.pk}/{day}/").status_code == 403
    assert installation.get(f"/routes/{person.pk}/2026-13-45/").status_code == 404
    assert "No visits on this day" in told(installation.get(f"/routes/{person.pk}/2026-05-10/").content)
    confirmed = installation.post(f"/routes/{person.pk}/{day}/confirm/", follow=True)
    assert "confirmed." in told(confirmed.content)
    assert not Visit.objects.filter(state="tentative", starts_at__date=day).exists()


def test_a_visit_is_moved_by_hand_and_every_place_has_its_cost(installation: Client) -> None:
    technician(name="Testa First")
    second = technician(name="Testa Second")
    for number in range(6):
        work_at(site_at(number))
    plan_week()
    visit = proposals()[0]
    options = list_options(read_moves(visit, now=SUNDAY_NOON))
    assert {option.day.on for option in options} == {MONDAY + timedelta(days=n) for n in range(5)}
    assert min(option.added for option in options if option.is_now) == 0
    # Where it stands now it moves nobody, and costs nothing.
    stays = next(option for option in options if option.is_now and option.begins == visit.starts_at)
    assert (stays.added, stays.others) == (0, 0)
    page = told(installation.get(f"/visits/{visit.pk}/move/").content)
    assert "min more driving" in page
    target = next(o for o in options if o.day.person == second and o.day.on == date(2026, 5, 8))
    answer = installation.post(f"/visits/{visit.pk}/move/", {"to": target.token}, follow=True)
    assert "It stays there when the week is planned again" in told(answer.content)
    visit.refresh_from_db()
    assert (visit.starts_at, visit.fixed, visit.sequence) == (target.begins, True, 1)
    assert [person.pk for person in visit.technicians.all()] == [second.pk]
    plan_week()
    visit.refresh_from_db()
    assert visit.starts_at == target.begins


@pytest.mark.parametrize("to", ["", "nonsense", "1/2026-05-04/99", "99/2026-05-04/0", "x/y/z"])
def test_a_place_that_is_not_to_be_had_is_refused(installation: Client, to: str) -> None:
    technician()
    work_at(site_at(1))
    plan_week()
    answer = installation.post(f"/visits/{proposals()[0].pk}/move/", {"to": to})
    assert answer.status_code == 422
    assert "hoose" in told(answer.content)


def test_a_confirmed_visit_is_not_moved_here(installation: Client) -> None:
    technician()
    work_at(site_at(1))
    plan_week()
    [visit] = proposals()
    token = list_options(read_moves(visit, now=SUNDAY_NOON))[-1].token
    confirm_visit(visit, by=None, at=SUNDAY_NOON)
    assert "A confirmed visit is not moved here" in told(
        installation.get(f"/visits/{visit.pk}/move/").content
    )
    assert "This visit is confirmed" in told(
        installation.post(f"/visits/{visit.pk}/move/", {"to": token}).content
    )


def test_a_proposal_is_kept_and_given_free(installation: Client) -> None:
    technician()
    work_at(site_at(1))
    plan_week()
    [visit] = proposals()
    installation.post(f"/visits/{visit.pk}/keep/", {"fixed": "yes"})
    visit.refresh_from_db()
    assert visit.fixed
    installation.post(f"/visits/{visit.pk}/keep/", {"fixed": "no"})
    visit.refresh_from_db()
    assert not visit.fixed
    by_hand = VisitFactory()
    answer = installation.post(f"/visits/{by_hand.pk}/keep/", {"fixed": "no"}, follow=True)
    assert "planned this visit by hand" in told(answer.content)


def test_who_works_when_is_told_and_changed(installation: Client) -> None:
    person = technician(name="Testa Hours")
    form = {"goes_out": "on", "level": "3", "latitude": "40.5", "longitude": "-74.5"}
    hours = {"where_0": "road", "begins_0": "07:00", "ends_0": "12:00", "where_4": "shop"}
    hours |= {"begins_4": "08:00", "ends_4": "16:00"}
    answer = installation.post(f"/working-times/{person.pk}/", {**form, **hours}, follow=True)
    page = told(answer.content)
    assert "Mon 7:00 AM–12:00 PM" in page
    assert "Fri in the shop" in page
    assert WorkTerms.objects.get(person=person).level == 3
    assert WorkingDay.objects.filter(person=person).count() == 2
    wrong = installation.post(
        f"/working-times/{person.pk}/", {**form, "where_0": "road", "begins_0": "12:00", "ends_0": "8:00"}
    )
    assert "Monday ends after it begins" in told(wrong.content)
    half = installation.post(f"/working-times/{person.pk}/", {**form, "latitude": ""})
    assert "latitude and longitude" in told(half.content)
    missing = installation.post(f"/working-times/{person.pk}/", {**form, "where_1": "road"})
    assert "Give both times of Tuesday" in told(missing.content)
    assert WorkingDay.objects.filter(person=person).count() == 2


def test_absences_come_and_go(installation: Client) -> None:
    person = technician(name="Testa Away")
    days = {"person": person.pk, "first_on": "2026-05-04", "last_on": "2026-05-05", "note": "away"}
    assert "May 4 to May 5, 2026" in told(installation.post("/working-times/", days, follow=True).content)
    past = {**days, "first_on": "2026-04-01", "last_on": "2026-04-02"}
    assert "These days are over" in told(installation.post("/working-times/", past).content)
    reversed_ = {**days, "last_on": "2026-05-03"}
    assert "The last day away is the first one or later" in told(
        installation.post("/working-times/", reversed_).content
    )
    installation.post(f"/absences/{Absence.objects.get().pk}/remove/")
    assert not Absence.objects.exists()


def test_times_are_agreed_and_taken_back(installation: Client) -> None:
    site = site_at(1)
    told_times = {"on": "2026-05-05", "earliest": "09:00", "latest": "11:00", "note": "before work"}
    page = installation.post(f"/sites/{site.pk}/times/", told_times, follow=True)
    assert "from 9:00 AM until 11:00 AM: before work" in told(page.content)
    again = installation.post(f"/sites/{site.pk}/times/", told_times)
    assert "That access time is there already" in told(again.content)
    wrong = installation.post(f"/sites/{site.pk}/times/", {**told_times, "earliest": "12:00"})
    assert "check the two times" in told(wrong.content)
    past = installation.post(f"/sites/{site.pk}/times/", {**told_times, "on": "2026-01-05"})
    assert "That day is over" in told(past.content)
    agreed = AgreedTime.objects.get()
    assert agreed.earliest == time(9)
    installation.post(f"/agreed-times/{agreed.pk}/drop/")
    assert not AgreedTime.objects.exists()


def test_the_weather_is_noted(installation: Client) -> None:
    answer = installation.post("/week/weather/?week=2026-05-04", {"mon": "55", "tue": "12.5 °C"}, follow=True)
    assert "up to 55 °F" in told(answer.content)
    assert list(DayWeather.objects.order_by("on").values_list("warmest_c", flat=True)) == [
        Decimal("12.8"),
        Decimal("12.5"),
    ]
    page = told(installation.get("/week/weather/?week=2026-05-04").content)
    assert "Monday, May 4, °F" in page
    assert 'value="55 °F"' in page
    far = installation.post("/week/weather/?week=2026-05-04", {"mon": "130"})
    assert "130 is no weather" in told(far.content)
    installation.post("/week/weather/?week=2026-05-04", {"mon": ""})
    assert not DayWeather.objects.exists()
    installation.post("/week/weather/?week=2026-05-04", {"mon_heat": "104"})
    assert DayWeather.objects.get().heat_index_f == 104
    wrong = installation.post("/week/weather/?week=2026-05-04", {"mon": "warm"})
    assert "“warm” is no temperature: write it like 55 or 13 °C." in told(wrong.content)
