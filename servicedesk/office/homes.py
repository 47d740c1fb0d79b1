"""Home: what each role does next."""

from __future__ import annotations

from datetime import date, datetime, time, timedelta
from typing import Any

from django.db.models import Count, Q
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules.models import CustomerAnswer, MaintenanceTask, Visit
from schedules.operations import see_answer as note_answer_seen
from servicedesk.calls.models import Call, Finding, PhoneRecord
from servicedesk.calls.operations import see_record as note_record_seen
from servicedesk.people.models import Role, User
from servicedesk.people.rights import schedulers, technicians, user_of
from servicedesk.reports.landing import failures_by_mode, twelve_months
from servicedesk.reports.pages import findings_address
from units.models import Site, Unit


def day_bounds(day: date, *, days: int = 1) -> tuple[datetime, datetime]:
    """Give the moments at which a day (or a run of days) begins and ends, in the company's zone."""
    start = timezone.make_aware(datetime.combine(day, time.min))
    return start, timezone.make_aware(datetime.combine(day + timedelta(days=days), time.min))


def _for_technician(user: User, today: date) -> dict[str, Any]:
    start, end = day_bounds(today)
    week_end = day_bounds(today, days=7)[1]
    mine = Visit.objects.of(user).exclude(state="cancelled").for_list()
    visits = list(mine.between(start, end))
    return {
        "visits": visits,
        "next_visit": next((visit for visit in visits if visit.finished_at is None), None),
        "later": mine.between(end, week_end),
        "urgent": Call.objects.open().filter(urgency="make_safe").for_list().most_urgent_first(),
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
        "dangers": Finding.objects.standing_dangers()
        .select_related("unit__site", "mode")
        .order_by("-found_on")[:12],
        "look_at": PhoneRecord.objects.exclude(look_at="").filter(seen_at=None).select_related("by")[:12],
        "answers": CustomerAnswer.objects.filter(seen_at=None).select_related("visit__site", "customer")[:12],
        "nobody": Site.objects.filter(care_by=Site.CareBy.NOBODY, units__removed_on__isnull=True)
        .distinct()
        .count(),
    }


def _for_owner(today: date) -> dict[str, Any]:
    chosen = twelve_months(today)
    failed = failures_by_mode(chosen)
    return {
        "units_in_place": Unit.objects.in_place().count(),
        "calls_open": Call.objects.open().count(),
        "dangers_open": Call.objects.open()
        .filter(Q(safety_answers__answer="yes", safety_answers__made_safe_at__isnull=True))
        .distinct()
        .count(),
        "failures": sum(line.failures for line in failed),
        "most": [
            (line, findings_address(chosen.only("part", line.kind).of_mode(line.mode.pk)))
            for line in failed[:5]
        ],
    }


@technicians
def home(request: HttpRequest) -> HttpResponse:
    """What to do next, by role."""
    user, today = user_of(request), timezone.localdate()
    empty = not Unit.objects.exists()
    if user.role == Role.TECHNICIAN:
        return render(request, "office/home_technician.html", _for_technician(user, today))
    if user.role == Role.SCHEDULER:
        return render(request, "office/home_scheduler.html", {"empty": empty, **_for_scheduler(today)})
    return render(request, "office/home_owner.html", {"empty": empty, **_for_owner(today)})


@schedulers
@require_POST
def see_answer(request: HttpRequest, pk: int) -> HttpResponse:
    """Note that what a customer said was seen."""
    note_answer_seen(get_object_or_404(CustomerAnswer, pk=pk), by=user_of(request), at=timezone.now())
    return redirect("office:home")


@schedulers
@require_POST
def see_record(request: HttpRequest, pk: int) -> HttpResponse:
    """Note that a record that needed a look got one."""
    note_record_seen(get_object_or_404(PhoneRecord, pk=pk), by=user_of(request), at=timezone.now())
    return redirect("office:home")
