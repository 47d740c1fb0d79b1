"""Next step of a call, which the page shows first."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass

from django.urls import reverse

from servicedesk.calls.models import Call, Finding, Inspection, Work


@dataclass(frozen=True)
class Step:
    """Next step: the reason, the label of its button, and its address ("" for closing the call)."""

    why: str
    words: str
    url: str


def next_step(
    call: Call,
    *,
    findings: Collection[Finding],
    works: Collection[Work],
    inspections: Collection[Inspection],
    may_plan: bool,
) -> Step | None:
    """Choose the next step of an open call."""
    if not call.is_open:
        return None
    begun = bool(findings or works or inspections)
    if may_plan and not begun and call.planned_visit is None:
        return Step(
            "Nobody is on the way yet.",
            "Plan a visit",
            reverse("schedules:plan_visit", query={"site": call.site_id}),
        )
    answers = call.safety_answers.all()
    if call.danger_stands and not any(answer.answer == "yes" for answer in answers):
        why = "This call is “make safe today”, but no danger is named yet."
        return Step(why, "Answer the safety questions", "#safety")
    if call.danger_stands:
        return Step("A danger was named. It comes before the repair.", "Say what made it safe", "#safety")
    if call.unit_id is None:
        return Step(
            "The window is not known yet.", "Choose window", reverse("calls:set_unit", args=[call.pk])
        )
    if not findings and not inspections:
        return Step(
            "What is wrong is not recorded yet.",
            "Record what you find",
            reverse("calls:add_finding", args=[call.pk]),
        )
    if findings and not works:
        return Step("Something was found.", "Record what was done", reverse("calls:add_work", args=[call.pk]))
    if any(answer.is_open for answer in answers):
        return Step("A safety question is not answered yet.", "Answer it", "#safety")
    return Step("Everything is recorded.", "Close the call", "")
