"""Home page of each role."""

from __future__ import annotations

from datetime import date
from typing import Any

from django.db.models import Count
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules.models import CustomerAnswer, MaintenanceTask, Visit
from schedules.operations import see_answer as note_answer_seen
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import schedulers, technicians, user_of
from servicedesk.calls.dangers import open_dangers
from servicedesk.calls.models import Call, Finding, PhoneRecord
from servicedesk.calls.operations import see_record as note_record_seen
from servicedesk.calls.to_settle import read_to_settle
from servicedesk.core.values.dates import day_bounds
from servicedesk.office.failed_work import failed_work
from servicedesk.reports.queries.exclusion_reasons import findings_address
from servicedesk.reports.summary import failures_by_mode, twelve_months
from units.models import Site, Unit

MOST_TO_SETTLE = 30


def _for_technician(user: User, today: date) -> dict[str, Any]:
    start, end = day_bounds(today)
    week_end = day_bounds(today, days=8)[1]
    mine = Visit.objects.of(user).exclude(state="cancelled").for_list()
    visits = list(mine.between(start, end))
    return {
        "visits": visits,
        "next_visit": next((visit for visit in visits if visit.finished_at is None), None),
        "later": mine.between(end, week_end),
    }


def _for_scheduler(today: date) -> dict[str, Any]:
    start, _ = day_bounds(today)
    due = MaintenanceTask.objects.unplanned().due(today)
    return {
        "calls": Call.objects.open().filter(task__state="needs-action").for_list().most_urgent_first()[:12],
        "calls_open": Call.objects.open().count(),
        "due": due.aggregate(tasks=Count("pk"), sites=Count("site", distinct=True)),
        "proposed": Visit.objects.open().filter(state="tentative", starts_at__gte=start).for_list()[:12],
        "unfinished": Visit.objects.open()
        .filter(state="confirmed", ends_at__lt=timezone.now())
        .for_list()[:12],
        "safe_for_now": Finding.objects.standing_dangers()
        .select_related("unit__site", "mode")
        .order_by("-found_on")[:12],
        **_to_settle(),
        "answers": CustomerAnswer.objects.filter(seen_at=None).select_related("visit__site", "customer")[:12],
        "nobody": Site.objects.filter(care_by=Site.CareBy.NOBODY, units__removed_on__isnull=True)
        .distinct()
        .count(),
    }


def _to_settle() -> dict[str, Any]:
    """Phone records that the office has to settle."""
    return {
        "to_settle": read_to_settle(most=MOST_TO_SETTLE),
        "to_settle_number": PhoneRecord.objects.to_settle().count(),
    }


def _for_owner(today: date) -> dict[str, Any]:
    chosen = twelve_months(today)
    failed = failures_by_mode(chosen)
    return {
        "failed_work": failed_work(timezone.now()),
        **_to_settle(),
        "units_in_place": Unit.objects.in_place().count(),
        "calls_open": Call.objects.open().count(),
        "failures": sum(line.failures for line in failed),
        "most": [
            (line, findings_address(chosen.only("part", line.kind).of_mode(line.mode.pk)))
            for line in failed[:5]
        ],
    }


@technicians
def home(request: HttpRequest) -> HttpResponse:
    """Home page, by role."""
    user, today = user_of(request), timezone.localdate()
    context: dict[str, Any] = {"dangers": open_dangers(), "empty": not Unit.objects.exists()}
    if user.role == Role.TECHNICIAN:
        return render(request, "office/home_technician.html", context | _for_technician(user, today))
    if user.role == Role.SCHEDULER:
        return render(request, "office/home_scheduler.html", context | _for_scheduler(today))
    return render(request, "office/home_owner.html", context | _for_owner(today))


@schedulers
@require_POST
def see_answer(request: HttpRequest, pk: int) -> HttpResponse:
    """Mark a customer's answer as seen."""
    note_answer_seen(get_object_or_404(CustomerAnswer, pk=pk), by=user_of(request), at=timezone.now())
    return redirect("office:home")


@schedulers
@require_POST
def see_record(request: HttpRequest, pk: int) -> HttpResponse:
    """Mark a phone record as seen."""
    note_record_seen(get_object_or_404(PhoneRecord, pk=pk), by=user_of(request), at=timezone.now())
    return redirect("office:home")
