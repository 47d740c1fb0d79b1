"""For every address that takes a form: a record of its own to send it about, and the entries."""

from __future__ import annotations

import itertools
from collections.abc import Callable
from datetime import timedelta
from typing import Any

from django.utils import timezone

from schedules.models import Absence, AgreedTime, Visit
from schedules.models.notifications import CustomerAnswer
from schedules.notifications.links import opt_out_token
from schedules.operations.calendars import make_link
from servicedesk.calls.models import PhoneRecord
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    CustomerFactory,
    FindingFactory,
    InstalledPartFactory,
    MaintenanceRuleFactory,
    ObservationPeriodFactory,
    OwnershipFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
)
from tests.faults.sent_records import (
    COUNT,
    DAY,
    Sent,
    a_file,
    a_finding,
    a_photo,
    a_rule,
    applied_batch,
    batch,
    call_with_answers,
    flag,
    key,
    notification,
    own,
    phone_record,
    report_address,
    site_entries,
    some_work,
    soon,
    technician,
    visit_ahead,
    visit_entries,
    word,
)
from units.labels import labels_for

KINDS_OF_NOTIFICATIONS = itertools.cycle(["agreed", "asking", "ahead"])

FORMS: dict[str, Callable[[], Sent]] = {}


def form(make: Callable[[], Sent]) -> Callable[[], Sent]:
    """Register the function that makes a form under its URL's name, ``__`` in it standing for the colon."""
    FORMS[make.__name__.replace("__", ":", 1)] = make
    return make


def _simple(name: str, make: Callable[[], Any], data: Callable[[], dict[str, Any]]) -> None:
    """Keep a form about one record."""
    FORMS[name] = lambda: Sent(name, (own(make),), data())


def listed(visit: Visit) -> str:
    """Give the value of a visit's checkbox on the form that asks customers."""
    return f"{visit.pk}.{visit.sequence}.{visit.site.ownerships.get().customer_id}"


def _bare(name: str, data: Callable[[], dict[str, Any]], *arguments: Any) -> None:
    """Keep a form about no record."""
    FORMS[name] = lambda: Sent(name, arguments, data())


# people
_bare(
    "accounts:add_person",
    lambda: {
        "idempotency_key": key(),
        "name": "Ida",
        "username": word(),
        "role": "technician",
        "password": "a long porch password",
    },
)
_simple("accounts:person", technician, lambda: {"name": word(), "role": "technician", "is_active": "on"})
_simple("accounts:person_password", technician, lambda: {"password": "another porch password"})
_simple("accounts:invite_person", lambda: technician(email="new@company.example"), dict)
_simple("accounts:sign_person_out", technician, dict)
_simple("accounts:end_mfa", technician, dict)
_simple("privacy:anonymize_customer", lambda: CustomerFactory(name="Trial"), lambda: {"name": "Trial"})
# the register
_simple(
    "units:add_unit",
    SiteFactory,
    lambda: {"idempotency_key": key(), "code": word(), "installed_on": DAY, "observed_from": DAY},
)
_simple("units:change_unit", UnitFactory, lambda: {"code": word(), "installed_on": "2020-03-02"})
_simple("units:remove_unit", lambda: InstalledPartFactory().unit, lambda: {"on": DAY})
_simple("units:begin_observation", UnitFactory, lambda: {"from_on": DAY, "began": "taken_over"})
_simple("units:end_observation", ObservationPeriodFactory, lambda: {"until_on": DAY, "ended": "sold"})
_bare("units:add_site", lambda: {"idempotency_key": key(), **site_entries()})
_simple("units:change_site", SiteFactory, site_entries)
_simple(
    "units:change_owner",
    lambda: OwnershipFactory().site,
    lambda: {"customer": CustomerFactory().pk, "on": DAY},
)
_bare("units:add_customer", lambda: {"idempotency_key": key(), "name": word()})
_simple("units:change_customer", CustomerFactory, lambda: {"name": word()})
_bare("units:add_reference", lambda: {"name": word(), "kind": "track", "in_use": "on"}, "types")
# care, tasks, visits
_bare("schedules:look_now", dict)
_simple("schedules:let_task_wait", TaskFactory, lambda: {"waiting_for": "part", "until": str(soon())})
_simple("schedules:stop_waiting", lambda: TaskFactory(waiting_for="part", waiting_until=soon()), dict)
_simple("schedules:cancel_task", TaskFactory, lambda: {"why": "trial"})
_simple("schedules:complete_task", TaskFactory, lambda: {"on": str(timezone.localdate())})
_bare(
    "schedules:add_maintenance_rule",
    lambda: {"idempotency_key": key(), "component_type": ComponentTypeFactory().pk, **a_rule()},
)
_simple("schedules:change_maintenance_rule", MaintenanceRuleFactory, a_rule)
_bare("schedules:care_by", lambda: {"sites": [SiteFactory().pk], "care_by": "us"})
_simple("schedules:confirm_visit", visit_ahead, dict)
_simple("schedules:cancel_visit", visit_ahead, lambda: {"why": "trial"})
_simple("schedules:keep_visit", visit_ahead, lambda: {"fixed": "yes"})
_bare("schedules:ask_for_week", lambda: {"week": str(soon(7 * next(COUNT) % 200)), "horizon": 30})
_bare("schedules:ask_customers", lambda: {"visits": listed(visit_ahead())})
_simple("schedules:try_notification_again", notification, dict)
_simple("schedules:customer_email_preference", CustomerFactory, lambda: {"what": "nothing"})
_bare(
    "schedules:working_times",
    lambda: {"person": technician().pk, "first_on": str(soon()), "last_on": str(soon(12))},
)
_simple("schedules:change_terms", technician, lambda: {"goes_out": "on", "level": 1})
_simple(
    "schedules:remove_absence",
    lambda: Absence.objects.create(person=technician(), first_on=soon(), last_on=soon()),
    dict,
)
_simple(
    "schedules:agreed_times", SiteFactory, lambda: {"on": str(soon()), "earliest": "09:00", "latest": "11:00"}
)
_simple("schedules:drop_agreed_time", lambda: AgreedTime.objects.create(site=SiteFactory(), on=soon()), dict)
_bare("schedules:make_link", lambda: {"whose": technician().pk})
# calls
_simple(
    "calls:log_call_at",
    SiteFactory,
    lambda: {"idempotency_key": key(), "words": word(), "symptom": "stiff", "urgency": "this_week"},
)
_simple(
    "calls:change_call",
    call_with_answers,
    lambda: {"words": word(), "symptom": "water", "urgency": "this_week"},
)
_simple("calls:wait", call_with_answers, lambda: {"waiting_for": "part", "until": str(soon())})
_simple("calls:resume", call_with_answers, dict)
_simple("calls:close", call_with_answers, dict)
_simple("calls:cancel", call_with_answers, lambda: {"why": "trial"})
_simple("calls:reopen", lambda: call_with_answers(state="cancelled"), dict)
_simple("calls:answer", lambda: call_with_answers("").safety_answers.first(), lambda: {"said": "yes"})
_simple(
    "calls:make_safe",
    lambda: call_with_answers("yes").safety_answers.first(),
    lambda: {"made_safe_how": "taken down"},
)
_simple("calls:record_no_fault", UnitFactory, dict)
_simple("calls:record_no_faults", lambda: UnitFactory().site, dict)
_simple("calls:add_unit_work", UnitFactory, some_work)
# the office
_simple("imports:approve_import", batch, dict)
_simple("imports:discard_import", batch, dict)
_simple("portal:new_label", lambda: labels_for([UnitFactory()], by=None, at=timezone.now())[0].unit, dict)
# figures
_simple("reports:change_interval", MaintenanceRuleFactory, lambda: {"months": 18, "why": "trial"})
_simple("reports:inspect_flag", flag, lambda: {"reason": word(), "minutes": 15, "due_on": str(soon())})
FORMS["imports:create_import"] = a_file


@form
def imports__revert_import() -> Sent:
    applied = applied_batch()
    return Sent("imports:revert_import", (applied.pk,), {"number": str(applied.pk)})


@form
def schedules__weather() -> Sent:
    return Sent("schedules:weather", data={"mon": "25"}, query=f"?week={soon(7 * next(COUNT))}")


@form
def schedules__change_notification_text() -> Sent:
    kind = next(KINDS_OF_NOTIFICATIONS)
    data = {"title": word(), "body": word(), "store": "1"}
    return Sent("schedules:change_notification_text", (kind,), data)


@form
def schedules__plan_visit() -> Sent:
    site = SiteFactory()
    entries = {"idempotency_key": key(), **visit_entries(site)}
    return Sent("schedules:plan_visit", data=entries, query=f"?site={site.pk}")


@form
def schedules__change_visit() -> Sent:
    visit = visit_ahead()
    return Sent("schedules:change_visit", (visit.pk,), visit_entries(visit.site))


@form
def schedules__confirm_route() -> Sent:
    visit = visit_ahead()
    person = visit.technicians.get()
    return Sent("schedules:confirm_route", (person.pk, visit.local_start.date().isoformat()))


@form
def portal__email_preference() -> Sent:
    data = {"List-Unsubscribe": "One-Click"}
    return Sent("portal:email_preference", (opt_out_token(CustomerFactory().pk),), data, anonymous=True)


@form
def schedules__replace_link() -> Sent:
    link, _ = make_link(technician(), by=technician(), at=timezone.now())
    return Sent("schedules:replace_link", (link.pk,))


@form
def schedules__revoke_link() -> Sent:
    link, _ = make_link(technician(), by=technician(), at=timezone.now())
    return Sent("schedules:revoke_link", (link.pk,))


@form
def office__finish_visit() -> Sent:
    visit = visit_ahead(state="confirmed")
    earlier = timezone.now() - timedelta(days=2)
    type(visit).objects.filter(pk=visit.pk).update(starts_at=earlier, ends_at=earlier + timedelta(hours=1))
    task = visit.visit_tasks.get().task_id
    return Sent("office:finish_visit", (visit.pk,), {"ended_at": "12:00", f"task_{task}": "done"})


@form
def portal__customer_visit() -> Sent:
    data = {"what": "problem", "words": word()}
    return Sent(
        "portal:customer_visit", (report_address(visit_ahead()),), data, files=a_photo(), anonymous=True
    )


@form
def portal__customer_visit_suits() -> Sent:
    return Sent("portal:customer_visit", (report_address(visit_ahead()),), {"what": "suits"}, anonymous=True)


@form
def portal__customer_visit_words() -> Sent:
    data = {"what": "words", "words": "Fridays only"}
    return Sent("portal:customer_visit", (report_address(visit_ahead()),), data, anonymous=True)


@form
def portal__label() -> Sent:
    code = labels_for([UnitFactory()], by=None, at=timezone.now())[0].code
    return Sent("portal:label", (code,), {"words": word()}, files=a_photo(), anonymous=True)


@form
def office__see_record() -> Sent:
    unit = UnitFactory()
    made = PhoneRecord.objects.create(
        key=key(),
        by=technician(),
        kind="work",
        fingerprint="x",
        payload={},
        answer={},
        unit=unit,
        made_at=timezone.now(),
        received_at=timezone.now(),
        look_at="trial",
    )
    return Sent("office:see_record", (made.pk,))


@form
def office__see_answer() -> Sent:
    visit = visit_ahead()
    customer = visit.site.ownerships.get().customer
    made = CustomerAnswer.objects.create(visit=visit, customer=customer, said="suits", at=timezone.now())
    return Sent("office:see_answer", (made.pk,))


@form
def units__fit_part() -> Sent:
    part = ComponentTypeFactory()
    data = {"idempotency_key": key(), "component_type": part.pk, "panel": 0, "pieces": 1, "on": DAY}
    return Sent("units:fit_part", (UnitFactory().pk,), data)


@form
def units__replace_set() -> Sent:
    part = InstalledPartFactory()
    data = {"idempotency_key": key(), "component_type": part.component_type_id, "pieces": 1, "on": DAY}
    return Sent("units:replace_set", (part.pk,), data)


@form
def units__change_panel_share() -> Sent:
    part = InstalledPartFactory(unit__panels=2, pieces=4, component_type__kind="corner")
    data = {
        "idempotency_key": key(),
        "component_type": ComponentTypeFactory(kind="corner").pk,
        "panel": 1,
        "on": DAY,
    }
    return Sent("units:change_panel_share", (part.pk,), data)


@form
def units__take_out() -> Sent:
    return Sent("units:take_out", (InstalledPartFactory().pk,), {"on": DAY})


@form
def units__change_reference() -> Sent:
    row = ComponentTypeFactory()
    return Sent(
        "units:change_reference", ("types", row.pk), {"name": word(), "kind": "track", "in_use": "on"}
    )


@form
def calls__set_unit() -> Sent:
    call = call_with_answers()
    return Sent("calls:set_unit", (call.pk,), {"unit": UnitFactory(site=call.site).pk})


@form
def calls__add_finding() -> Sent:
    call = call_with_answers()
    unit = UnitFactory(site=call.site)
    return Sent("calls:add_finding", (call.pk,), a_finding(unit), query=f"?unit={unit.pk}")


@form
def calls__add_unit_finding() -> Sent:
    unit = UnitFactory()
    return Sent("calls:add_unit_finding", (unit.pk,), a_finding(unit))


@form
def calls__change_finding() -> Sent:
    finding = FindingFactory()
    entries = {"mode": finding.mode_id, "severity": "hinders", "is_failure": "True", "found_on": DAY}
    entries |= {"same_as": "new", "note": word()}
    return Sent("calls:change_finding", (finding.pk,), entries)


@form
def calls__add_call_photo() -> Sent:
    return Sent("calls:add_call_photo", (CallFactory().pk,), {"idempotency_key": key()}, files=a_photo())


@form
def calls__add_work() -> Sent:
    call = call_with_answers()
    unit = UnitFactory(site=call.site)
    return Sent("calls:add_work", (call.pk,), some_work(), query=f"?unit={unit.pk}")


@form
def field__inbox() -> Sent:
    return Sent("field:inbox", body=phone_record()[1])


@form
def field__photos() -> Sent:
    return Sent("field:photos", data={"key": key(), "record": key()}, files=a_photo())


@form
def reports__inspect_findings() -> Sent:
    FindingFactory()
    data = {"reason": word(), "minutes": 15, "due_on": str(soon())}
    return Sent("reports:inspect_findings", data=data)
