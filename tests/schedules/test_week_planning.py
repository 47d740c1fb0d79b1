"""Planning a week: from what is due to proposed visits, and again after something changed."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from typing import Any

import pytest
from django.test import Client

from schedules import operations
from schedules.models import (
    Absence,
    AgreedTime,
    DayWeather,
    MaintenanceTask,
    ServiceTime,
    UnassignedWork,
    Visit,
    WeekPlan,
    WorkingDay,
    WorkTerms,
)
from schedules.routing import solver
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    InstalledPartFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from tests.schedules.weeks_of_work import (
    MONDAY,
    SUNDAY_NOON,
    plan_week,
    proposals,
    site_at,
    technician,
    why_unassigned,
    work_at,
)

pytestmark = pytest.mark.django_db

NINE = datetime(2026, 5, 5, 13, 0, tzinfo=UTC)


def test_what_is_due_becomes_proposed_visits() -> None:
    people = [technician(), technician()]
    tasks = [work_at(site_at(number)) for number in range(5)]
    plan = plan_week()
    visits = proposals()
    assert (plan.stage, plan.said) == ("done", "5 visits made, 0 moved or kept, 0 withdrawn")
    assert {visit.site_id for visit in visits} == {task.site_id for task in tasks}
    for visit in visits:
        assert visit.state == Visit.State.TENTATIVE
        assert {person.pk for person in visit.technicians.all()} <= {person.pk for person in people}
        assert time(8) <= visit.local_start.time() < visit.local_end.time() <= time(16, 30)
        assert visit.local_start.minute % 5 == 0
        assert Change.objects.about(visit)[0].action == "proposed by the plan of the week"
    assert {task.state for task in MaintenanceTask.objects.all()} == {"in-process"}


def test_planning_again_without_a_change_changes_nothing() -> None:
    technician()
    for number in range(6):
        work_at(site_at(number))
    plan_week()
    before = {visit.pk: (visit.starts_at, visit.sequence) for visit in proposals()}
    plan = plan_week()
    assert {visit.pk: (visit.starts_at, visit.sequence) for visit in proposals()} == before
    assert plan.said == "0 visits made, 6 moved or kept, 0 withdrawn"


def test_confirmed_kept_and_hand_planned_visits_never_move() -> None:
    person = technician()
    for number in range(8):
        work_at(site_at(number))
    plan_week()
    visits = proposals()
    operations.confirm_visit(visits[0], by=None, at=SUNDAY_NOON)
    operations.keep_visit(visits[1], fixed=True, by=None, at=SUNDAY_NOON)
    task = work_at(site_at(20))
    by_hand = operations.plan_visit(
        task.site,
        starts_at=NINE + timedelta(days=2),
        technicians=[person],
        tasks=[task],
        by=None,
        at=SUNDAY_NOON,
    )
    fixed = {each.pk: Visit.objects.get(pk=each.pk).starts_at for each in (visits[0], visits[1], by_hand)}
    for number in range(30, 36):
        work_at(site_at(number), priority=1)
    plan_week()
    assert {pk: Visit.objects.get(pk=pk).starts_at for pk in fixed} == fixed
    starts = sorted((visit.starts_at, visit.ends_at) for visit in Visit.objects.open())
    assert all(one[1] <= other[0] for one, other in pairwise(starts))


def test_a_proposal_whose_work_is_gone_is_withdrawn() -> None:
    technician()
    task = work_at(site_at(1))
    work_at(site_at(2))
    plan_week()
    operations.complete_task(task, on=date(2026, 5, 3), by=None, at=SUNDAY_NOON)
    plan = plan_week()
    gone = Visit.objects.get(site=task.site)
    assert (gone.state, gone.sequence) == (Visit.State.CANCELLED, 1)
    assert plan.said == "0 visits made, 1 moved or kept, 1 withdrawn"


def test_care_that_falls_due_within_the_horizon_joins_a_visit_and_no_visit_is_made_for_it_alone() -> None:
    technician()
    site, other = (site_at(number, care_by="us") for number in (1, 2))
    work_at(site)
    for place, due_on in ((site, date(2026, 5, 20)), (site, date(2026, 7, 1)), (other, date(2026, 5, 20))):
        part = InstalledPartFactory(unit=UnitFactory(site=place))
        rule = MaintenanceRuleFactory(component_type=part.component_type, minutes=20)
        NextDueFactory(installed_part=part, rule=rule, next_due_on=due_on)
    plan_week(horizon_days=30)
    [visit] = proposals()
    assert visit.site == site
    assert sorted(entry.task.due_on for entry in visit.visit_tasks.all()) == [MONDAY, date(2026, 5, 20)]
    assert visit.minutes == 80


def unassigned(setting: Callable[[], Any]) -> str:
    """Say why the only site is left over."""
    setting()
    plan = plan_week()
    [why] = why_unassigned(plan).values()
    return why


def _nobody() -> None:
    work_at(site_at(1))


def _all_away() -> None:
    for _ in range(3):
        Absence.objects.create(person=technician(), first_on=MONDAY, last_on=date(2026, 5, 10))
    work_at(site_at(1))


def _no_skill() -> None:
    technician()
    work_at(site_at(1), level=3)


def _alone() -> None:
    technician()
    work_at(site_at(1), persons=2)


def _at_night() -> None:
    technician()
    site = work_at(site_at(1)).site
    AgreedTime.objects.create(site=site, on=MONDAY, earliest=time(5), latest=time(6))


def _too_cold() -> None:
    technician()
    part = InstalledPartFactory(unit=UnitFactory(site=site_at(1)))
    rule = MaintenanceRuleFactory(component_type=part.component_type, not_below_c=10)
    due = NextDueFactory(installed_part=part, rule=rule)
    TaskFactory(unit=part.unit, next_due=due, installed_part=part)
    for number in range(7):
        DayWeather.objects.create(on=MONDAY + timedelta(days=number), warmest_c=4)


def _fixed_already() -> None:
    site = site_at(1)
    visit = VisitFactory(site=site, starts_at=NINE, state="confirmed")
    visit.technicians.add(technician())
    work_at(site)


@pytest.mark.parametrize(
    ("setting", "why"),
    [
        (_nobody, "nobody is on the road that week"),
        (_all_away, "nobody is on the road that week"),
        (_no_skill, "nobody who works that week has the skill it needs"),
        (_alone, "it needs two people, and no two are free at the same time"),
        (_at_night, "the access times are outside everybody’s hours"),
        (_too_cold, "no day of the week reaches 50 °F, which vinyl work needs"),
        (_fixed_already, "a visit there is fixed for Tuesday at 9:00 AM: add it to that visit"),
    ],
)
def test_what_finds_no_place_is_told_with_the_reason(setting: Callable[[], Any], why: str) -> None:
    assert unassigned(setting) == why


def test_a_full_week_says_where_it_would_fit_best() -> None:
    technician(name="Testa Oneperson")
    for number in range(12):
        work_at(site_at(1 + number % 3), minutes=230, priority=5)
    plan = plan_week()
    assert len(proposals()) == 10  # two a day
    whys = set(plan.unassigned.values_list("why", flat=True))
    assert len(whys) == 1
    assert whys.pop().startswith("the schedule is full; it would fit best on ")


def test_film_work_waits_for_a_warm_day() -> None:
    technician()
    _too_cold()
    DayWeather.objects.filter(on=date(2026, 5, 7)).update(warmest_c=12)
    plan_week()
    assert [visit.local_start.date() for visit in proposals()] == [date(2026, 5, 7)]


def test_agreed_times_are_kept() -> None:
    technician()
    site = work_at(site_at(1)).site
    AgreedTime.objects.create(site=site, on=date(2026, 5, 6), earliest=time(13), latest=time(14))
    plan_week()
    [visit] = proposals()
    assert visit.local_start.date() == date(2026, 5, 6)
    assert time(13) <= visit.local_start.time() <= time(14)


def test_two_people_come_together() -> None:
    technician()
    technician()
    work_at(site_at(1), persons=2)
    work_at(site_at(2))
    plan_week()
    pair = next(visit for visit in proposals() if visit.technicians.count() == 2)
    assert pair.visit_tasks.get().task.persons == 2


def test_hours_shop_days_and_terms_are_heeded() -> None:
    person = technician()
    WorkTerms.objects.create(person=person, level=3, latitude=40, longitude=-74)
    WorkingDay.objects.create(person=person, weekday=2, begins=time(10), ends=time(12, 30))
    WorkingDay.objects.create(person=person, weekday=3, where="shop")
    work_at(site_at(1), level=3)
    plan_week()
    [visit] = proposals()
    assert visit.local_start.date() == date(2026, 5, 6)
    assert time(10) <= visit.local_start.time()
    assert visit.local_end.time() <= time(12, 30)


def test_our_own_records_say_how_long_work_takes() -> None:
    technician()
    work_at(site_at(1), work="lubricated")
    ServiceTime.objects.create(work="lubricated", factor=1.5, records=40, computed_at=SUNDAY_NOON)
    plan_week()
    assert proposals()[0].minutes == 90


def test_sites_without_a_position_are_planned_near_their_postcode() -> None:
    technician()
    site_at(1, postcode="12345")
    work_at(SiteFactory(postcode="12345"))
    work_at(SiteFactory(postcode="12399"))
    work_at(SiteFactory())
    plan = plan_week()
    assert plan.said.startswith("3 visits made")


def test_a_place_is_guessed_from_the_postcode_only_where_there_is_one(as_scheduler: Client) -> None:
    technician()
    site_at(1, postcode="12345")
    work_at(SiteFactory(code="Near", address="", postcode="12345"))
    work_at(SiteFactory(code="Bare", address="", postcode=""))
    work_at(SiteFactory(code="Far", address="", postcode="99999"))
    plan = plan_week()
    page = as_scheduler.get(f"/week/?week={plan.monday}").content.decode()
    rows = {row.split("</tr>")[0] for row in page.split("<tr>") if 'data-label="Where"' in row}
    by_name = {name: row for row in rows for name in ("Near", "Bare", "Far") if f">{name} " in row}
    assert "place guessed from the postcode" in by_name["Near"]
    for name in ("Bare", "Far"):
        assert "guessed" not in by_name[name]
        assert "no place known" in by_name[name]


@pytest.mark.parametrize(
    "monday", [date(2026, 3, 2), date(2026, 3, 9), date(2026, 10, 26), date(2024, 2, 26)]
)
def test_weeks_in_which_clocks_change_and_leap_days(monday: date) -> None:
    technician()
    for number in range(3):
        work_at(site_at(number), due_on=monday)
    at = datetime.combine(monday - timedelta(days=1), time(16), tzinfo=UTC)
    plan_week(monday, at=at)
    assert len(proposals()) == 3
    assert all(time(8) <= visit.local_start.time() <= time(16) for visit in proposals())


def test_the_rest_of_a_week_under_way_is_planned_from_now_on() -> None:
    technician()
    for number in range(4):
        work_at(site_at(number))
    thursday = datetime(2026, 5, 7, 16, 10, tzinfo=UTC)
    plan_week(at=thursday)
    assert proposals()
    assert all(visit.starts_at >= thursday + timedelta(minutes=30) for visit in proposals())


@pytest.mark.long
def test_four_hundred_due_tasks_and_one_van() -> None:
    technician()
    sites = [site_at(number) for number in range(50)]
    for number in range(400):
        work_at(sites[number % 50], minutes=30)
    plan = plan_week(number=20)
    assert plan.stage == "done"
    placed = MaintenanceTask.objects.filter(state="in-process").count()
    left = sum(plan.unassigned.values_list("tasks", flat=True))
    assert placed + left == 400
    assert 50 <= placed <= 75  # a week of 40 hours of work, lunch and drives taken out


def test_an_empty_week_is_planned_too() -> None:
    technician()
    plan = plan_week()
    assert (plan.stage, plan.said) == ("done", "0 visits made, 0 moved or kept, 0 withdrawn")


def test_a_week_that_can_not_be_planned_is_refused() -> None:
    with pytest.raises(RuleViolation, match="is over"):
        plan_week(date(2026, 4, 20))
    with pytest.raises(RuleViolation, match="more than a year"):
        plan_week(date(2028, 4, 24))
    with pytest.raises(RuleViolation, match="begins on a Monday"):
        plan_week(date(2026, 5, 5))
    operations.ask_for_week(MONDAY, horizon_days=14, by=None, at=SUNDAY_NOON)
    with pytest.raises(RuleViolation, match="being planned already"):
        operations.ask_for_week(MONDAY, horizon_days=14, by=None, at=SUNDAY_NOON)


@pytest.mark.parametrize(("day", "stage"), [(4, "done"), (8, "failed")])
def test_somebody_who_plans_meanwhile_wins(monkeypatch: pytest.MonkeyPatch, day: int, stage: str) -> None:
    # Alone in its week, the work lands on Friday the 8th; a visit on Monday is in nobody's way.
    person = technician()
    task = work_at(site_at(1))
    other = work_at(site_at(2))
    original = solver.plan_routes

    def slow(*args: Any, **kwargs: Any) -> Any:
        answer = original(*args, **kwargs)
        operations.plan_visit(
            other.site,
            starts_at=datetime(2026, 5, day, 12, 0, tzinfo=UTC),
            minutes=600,
            technicians=[person],
            tasks=[other],
            all_the_same=True,
            by=None,
            at=SUNDAY_NOON,
        )
        return answer

    monkeypatch.setattr(solver, "plan_routes", slow)
    plan = plan_week()
    task.refresh_from_db()
    mine = Visit.objects.open().of(person)
    assert plan.stage == stage
    if stage == "failed":
        assert "meanwhile" in plan.said
        assert [visit.site for visit in mine] == [other.site]
        assert task.state == task.State.NEEDS_ACTION
    else:
        assert {visit.site for visit in mine} == {task.site, other.site}
        assert {visit.starts_at.day for visit in mine} == {4, 8}


def test_one_of_two_workers_takes_a_plan_and_a_dead_one_is_taken_over() -> None:
    technician()
    work_at(site_at(1))
    plan = operations.ask_for_week(MONDAY, horizon_days=14, by=None, at=SUNDAY_NOON)
    WeekPlan.objects.filter(pk=plan.pk).update(stage="solving", alive_at=SUNDAY_NOON)
    soon, late = SUNDAY_NOON + timedelta(minutes=1), SUNDAY_NOON + timedelta(minutes=10)
    assert operations.solve_waiting_weeks(at=soon, number=20) == 0
    assert operations.solve_waiting_weeks(at=late, number=20) == 1
    plan.refresh_from_db()
    assert plan.stage == "done"


class TestDangers:
    """What makes a place safe comes before all that is not agreed with a customer."""

    def test_it_is_the_first_stop_of_the_first_day_however_far_it_is(self) -> None:
        technician()
        for number in range(8):
            work_at(site_at(number), due_on=date(2025, 5, 4))
        danger = work_at(site_at(60), priority=1, due_on=date(2026, 5, 3))
        plan_week()
        first = proposals()[0]
        assert first.site == danger.site
        assert first.local_start.date() == MONDAY

    def test_planned_in_the_middle_of_a_day_it_comes_as_soon_as_somebody_can_be_there(self) -> None:
        technician()
        for number in range(8):
            work_at(site_at(number))
        plan_week()
        danger = work_at(site_at(1), priority=1, due_on=date(2026, 5, 6))
        noon = datetime(2026, 5, 6, 15, 0, tzinfo=UTC)  # eleven o’clock in New York on Wednesday
        plan_week(at=noon)
        visit = Visit.objects.get(visit_tasks__task=danger)
        assert noon < visit.starts_at < noon + timedelta(hours=1)

    def test_it_does_not_wait_for_a_week_that_is_planned_ahead(self) -> None:
        technician()
        danger = work_at(site_at(1), priority=1, minutes=25, due_on=date(2026, 4, 27))
        easy = work_at(danger.site)
        plan_week(at=datetime(2026, 4, 27, 12, 0, tzinfo=UTC))  # on the Monday a week before
        assert not Visit.objects.filter(visit_tasks__task=danger).exists()
        assert Visit.objects.filter(visit_tasks__task=easy).exists()
        [left] = UnassignedWork.objects.all()
        assert (left.site, left.minutes) == (danger.site, 25)
        assert left.why == "it must be made safe before that week: plan a visit for it now"

    def test_an_agreed_visit_stays_and_it_comes_before_or_right_after(self) -> None:
        person = technician()
        agreed = work_at(site_at(3), minutes=60)
        at_eight = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
        visit = operations.plan_visit(
            agreed.site, starts_at=at_eight, technicians=[person], tasks=[agreed], by=None, at=SUNDAY_NOON
        )
        operations.confirm_visit(visit, by=None, at=SUNDAY_NOON)
        for number in range(4, 9):
            work_at(site_at(number))
        danger = work_at(site_at(1), priority=1)
        plan_week()
        day = list(Visit.objects.filter(starts_at__lt=at_eight + timedelta(hours=12)).order_by("starts_at"))
        assert [each.site for each in day[:2]] == [agreed.site, danger.site]
        assert day[0].starts_at == at_eight

    def test_nobody_waits_for_a_second_person_a_warm_day_or_a_part_to_make_it_safe(self) -> None:
        technician(username="one")
        WorkTerms.objects.create(person=technician(), goes_out=False)
        site = site_at(1)
        danger = work_at(site, priority=1, minutes=45)
        easy = work_at(site, minutes=20)
        rule = MaintenanceRuleFactory(not_below_c=15)
        part = InstalledPartFactory(unit=UnitFactory(site=site), component_type=rule.component_type)
        cold = work_at(site, next_due=NextDueFactory(installed_part=part, rule=rule))
        waits = work_at(site, waiting_for="part", waiting_until=date(2026, 5, 8))
        work_at(site, persons=2)
        DayWeather.objects.create(on=MONDAY, warmest_c=5)
        plan_week()
        visit = Visit.objects.get(visit_tasks__task=danger)
        assert visit.local_start.date() == MONDAY
        assert {entry.task for entry in visit.visit_tasks.all()} == {danger, easy}
        assert not visit.visit_tasks.filter(task__in=[cold, waits]).exists()

    def test_a_visit_fixed_for_a_later_day_of_the_week_is_not_waited_for(self) -> None:
        person = technician()
        site = site_at(1)
        fixed = operations.plan_visit(
            site,
            starts_at=NINE + timedelta(days=2),
            technicians=[person],
            tasks=[work_at(site)],
            by=None,
            at=SUNDAY_NOON,
        )
        danger, other = work_at(site, priority=1), work_at(site)
        plan = plan_week()
        [visit] = proposals()
        assert visit.local_start.date() == MONDAY
        assert [entry.task for entry in visit.visit_tasks.all()] == [danger]
        assert "add it to that visit" in why_unassigned(plan)[site.code]
        assert not fixed.visit_tasks.filter(task=other).exists()
