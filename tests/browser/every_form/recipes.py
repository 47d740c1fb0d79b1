"""Forms that a page shows only in some state of its record, and entries that it asks for only then.

All others are those of `tests.faults.sent_forms`.
"""

from __future__ import annotations

from collections.abc import Callable

from django.test import Client
from django.utils import timezone

from schedules.models import WeekPlan
from schedules.plans.weeks import monday_of
from servicedesk.accounts.models import MfaDevice
from servicedesk.core.models import Batch
from servicedesk.imports.operations import stop
from tests.factories import (
    CallFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    WorkFactory,
)
from tests.faults.sent_forms import FORMS, listed
from tests.faults.sent_records import (
    Sent,
    applied_batch,
    call_with_answers,
    soon,
    technician,
    visit_ahead,
    word,
)
from tests.servicedesk.reports.small_fleets import Fleet, day

Maker = Callable[[], Sent]
RECIPES: dict[str, Maker] = {name: make for name, make in FORMS.items() if not name.startswith("field:")}


def _without(name: str, entry: str) -> Maker:
    """The usual form without an entry that the page does not ask for here."""

    def make() -> Sent:
        sent = FORMS[name]()
        del sent.data[entry]
        return sent

    return make


for _name in ("calls:add_finding", "calls:add_unit_finding", "calls:change_finding"):
    RECIPES[_name] = _without(_name, "same_as")  # asked where an earlier finding might be the same
RECIPES["schedules:add_maintenance_rule"] = _without("schedules:add_maintenance_rule", "why")


def recipe(name: str) -> Callable[[Maker], Maker]:
    """Register the function that makes a form under the name of its URL."""

    def keep(make: Maker) -> Maker:
        RECIPES[name] = make
        return make

    return keep


@recipe("accounts:end_mfa")
def _mfa() -> Sent:
    person = technician()
    MfaDevice.objects.create(user=person, secret="J" * 32, since=timezone.now())
    return Sent("accounts:end_mfa", (person.pk,))


@recipe("accounts:sign_person_out")
def _signed_in() -> Sent:
    person = technician()
    Client().force_login(person)
    return Sent("accounts:sign_person_out", (person.pk,))


@recipe("calls:resume")
def _waiting_call() -> Sent:
    call = call_with_answers()
    type(call.task).objects.filter(pk=call.task_id).update(waiting_for="part", waiting_until=soon())
    return Sent("calls:resume", (call.pk,))


@recipe("calls:record_no_faults")
def _call_at_a_site() -> Sent:
    unit = UnitFactory()
    call = CallFactory(site=unit.site, task=TaskFactory(unit=unit, origin="call"))
    return Sent("calls:record_no_faults", (unit.site_id,), {"call": call.pk})


@recipe("calls:record_no_fault at a call")
def _call_about_a_unit() -> Sent:
    unit = UnitFactory()
    call = CallFactory(site=unit.site, unit=unit, task=TaskFactory(unit=unit, origin="call"))
    return Sent("calls:record_no_fault", (unit.pk,), {"call": call.pk})


@recipe("schedules:look_now")
def _due_maintenance() -> Sent:
    NextDueFactory(installed_part__unit__site__care_by="us", next_due_on=timezone.localdate())
    return Sent("schedules:look_now")


@recipe("portal:email_preference")
def _email_preference() -> Sent:
    sent = FORMS["portal:email_preference"]()
    sent.data = {"what": "visits"}
    return sent


@recipe("schedules:make_link of one's own")
def _own_link() -> Sent:
    return Sent("schedules:make_link")


@recipe("schedules:ask_for_week")
def _a_week() -> Sent:
    return Sent("schedules:ask_for_week", data={"week": str(monday_of(soon())), "horizon": 30})


@recipe("schedules:ask_customers")
def _a_proposed_week() -> Sent:
    visit = visit_ahead()
    monday = monday_of(visit.local_start.date())
    return Sent("schedules:ask_customers", data={"visits": listed(visit)}, query=f"?week={monday}")


@recipe("imports:stop_import")
def _an_import_under_way() -> Sent:
    applied = applied_batch()
    type(applied).objects.filter(pk=applied.pk).update(stage="reverting")
    return Sent("imports:stop_import", (applied.pk,))


@recipe("imports:resume_import")
def _a_stopped_import() -> Sent:
    sent = _an_import_under_way()
    stop(Batch.objects.get(pk=sent.arguments[0]), by=None, at=timezone.now())
    return Sent("imports:resume_import", sent.arguments)


@recipe("schedules:keep_visit")
def _a_planned_visit() -> Sent:
    visit = visit_ahead()
    plan = WeekPlan.objects.create(
        monday=monday_of(visit.local_start.date()),
        stage="done",
        asked_at=timezone.now(),
        done_at=timezone.now(),
    )
    type(visit).objects.filter(pk=visit.pk).update(planned_by=plan)
    return Sent("schedules:keep_visit", (visit.pk,), {"fixed": "yes"})


@recipe("reports:change_interval")
def _a_better_interval() -> Sent:
    rule = MaintenanceRuleFactory(component_type=_cared_for().track, work="lubricated", interval_months=24)
    return Sent("reports:change_interval", (rule.pk,), {"why": word()})


@recipe("reports:inspect_findings")
def _findings() -> Sent:
    _cared_for()
    return FORMS["reports:inspect_findings"]()


def _cared_for() -> Fleet:
    """Twelve tracks at six sites, cared for twice; they fail a year and more after care, hardly before."""
    fleet, sites = Fleet(), [SiteFactory(care_by="us") for _ in range(6)]
    for number in range(12):
        unit = fleet.unit(sites[number % 6])
        fleet.watch(unit, 0)
        part = fleet.fit(unit)
        for on in (60 + number, 800 + number):
            WorkFactory(unit=unit, kind="lubricated", done_on=day(on))
        for on in (650, 740, 1500 + 20 * number):
            fleet.find(part, on + number, detected="called")
        if number < 2:
            for on in (20, 900):
                fleet.find(part, on, detected="called")
        WorkFactory(unit=unit, installed_part=part, kind="adjusted", minutes=90, done_on=day(1700))
    return fleet
