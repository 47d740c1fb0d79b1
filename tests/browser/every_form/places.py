"""On which page a form stands that is sent somewhere else."""

from __future__ import annotations

from collections.abc import Callable

from django.urls import reverse

from schedules.models import AgreedTime
from servicedesk.calls.models import SafetyAnswer
from tests.faults.sent_records import Sent

Place = Callable[[Sent], str]


def _same_record(page: str) -> Place:
    """The page of the record that the form is about."""
    return lambda sent: reverse(page, args=sent.arguments)


def _page(page: str) -> Place:
    """A page about no record."""
    return lambda sent: reverse(page)


def _answer(sent: Sent) -> str:
    return reverse("calls:call", args=[SafetyAnswer.objects.get(pk=sent.arguments[0]).call_id])


def _week(sent: Sent) -> str:
    return reverse("schedules:week_sheet", query={"week": sent.data["week"]})


def _call(sent: Sent) -> str:
    return reverse("calls:call", args=[sent.data["call"]])


def _site_of_time(sent: Sent) -> str:
    site = AgreedTime.objects.get(pk=sent.arguments[0]).site_id
    return reverse("schedules:agreed_times", args=[site])


PLACES: dict[str, Place] = {
    "accounts:invite_person": _same_record("accounts:person"),
    "accounts:sign_person_out": _same_record("accounts:person"),
    "accounts:end_mfa": _same_record("accounts:person"),
    "schedules:look_now": _page("schedules:tasks"),
    "schedules:stop_waiting": _same_record("schedules:task"),
    "schedules:confirm_visit": _same_record("schedules:visit"),
    "schedules:keep_visit": _same_record("schedules:visit"),
    "schedules:ask_for_week": _week,
    "schedules:confirm_route": _same_record("schedules:route"),
    "schedules:try_notification_again": _same_record("schedules:notification"),
    "schedules:remove_absence": _page("schedules:working_times"),
    "schedules:drop_agreed_time": _site_of_time,
    "schedules:make_link": _page("schedules:calendars"),
    "schedules:make_link of one's own": _page("schedules:calendars"),
    "schedules:replace_link": _page("schedules:calendars"),
    "schedules:revoke_link": _page("schedules:calendars"),
    "calls:wait": _same_record("calls:call"),
    "calls:resume": _same_record("calls:call"),
    "calls:close": _same_record("calls:call"),
    "calls:cancel": _same_record("calls:call"),
    "calls:reopen": _same_record("calls:call"),
    "calls:answer": _answer,
    "calls:make_safe": _answer,
    "calls:record_no_fault": _same_record("office:unit_sheet"),
    "calls:record_no_fault at a call": _call,
    "calls:record_no_faults": _call,
    "imports:approve_import": _same_record("imports:import"),
    "imports:stop_import": _same_record("imports:import"),
    "imports:resume_import": _same_record("imports:import"),
    "imports:discard_import": _same_record("imports:import"),
    "portal:new_label": _same_record("office:unit_sheet"),
    "office:see_record": _page("office:home"),
    "office:see_answer": _page("office:home"),
    "reports:change_interval": lambda sent: reverse(
        "reports:maintenance",
        query={"rule": sent.arguments[0], "maintenance_cost": 40, "failure_cost": 220, "until": "2024-12-31"},
    ),
    "reports:inspect_flag": _same_record("reports:flag"),
    "reports:inspect_findings": _page("reports:findings"),
}

BY_MORE = {
    "schedules:make_link": "scheduler",
    "schedules:replace_link": "scheduler",
    "schedules:revoke_link": "scheduler",
}
"""Forms of which only a higher role sees all: a technician makes a link for nobody else."""
