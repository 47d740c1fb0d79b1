"""Views of visits: the week, planning, and one visit."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules import operations
from schedules.forms import PlanForm, VisitForm, WeekForm, WhyForm, by_unit
from schedules.models import MaintenanceTask, Notification, Visit
from schedules.plans.weeks import days_of_week, monday_of
from schedules.visits.shifts import week_ahead
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import schedulers, technicians, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.dates import day_bounds
from servicedesk.core.values.typed import read_key, read_scrap
from servicedesk.core.web.paging import key_page
from units.models import Site
from units.views import status_of

SHOWN = 30
PLANNED = "Planned. Confirm it once the customer has agreed."
RECORDED = "Recorded. Finish the visit: mark each task as done, or say why not."
PLAN = ("minutes", "technicians", "tasks", "coming", "note", "starts_at", "all_the_same")


@technicians
def visits(request: HttpRequest) -> HttpResponse:
    """A week of visits, one's own or everyone's."""
    user = user_of(request)
    people = list(User.objects.technicians().exclude(pk=user.pk))
    form = WeekForm(request.GET, people=people)
    form.is_valid()
    who = form.cleaned_data.get("who") or ("me" if user.role == Role.TECHNICIAN else "team")
    today, week = timezone.localdate(), form.cleaned_data.get("week")
    monday = monday_of(week) if week else week_ahead(today)
    rows = Visit.objects.for_week().between(*day_bounds(monday, days=7)).exclude(state=Visit.State.CANCELLED)
    if who != "team":
        rows = rows.of(user if who == "me" else next(one for one in people if str(one.pk) == who))
    shown = list(rows)
    context = {
        "form": form,
        "who": who,
        "monday": monday,
        "sunday": monday + timedelta(days=6),
        "this_week": monday_of(today),
        "shown": shown,
    }
    context |= {"before": monday - timedelta(days=7), "after": monday + timedelta(days=7)}
    context["days"] = days_of_week(monday, shown)
    return render(request, "schedules/visit_week.html", context)


@schedulers
def plan_visit(request: HttpRequest) -> HttpResponse:
    """Propose a visit to a site, with its due tasks."""
    site_pk = read_key(request.GET.get("site"))
    if site_pk is None:
        return _choose_site(request)
    site = get_object_or_404(Site, pk=site_pk)
    form = PlanForm(request.POST or None, site=site, initial={"day": request.GET.get("day")})

    def make() -> str:
        over = form.cleaned_data["already_over"]
        visit = operations.plan_visit(
            site, **_told(form), already_over=over, by=user_of(request), at=timezone.now()
        )
        return visit.get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, RECORDED if "already_over" in request.POST else PLANNED)
        return redirect(where)
    return render(request, "schedules/visit_plan.html", _offers(form), status=status_of(form))


def _choose_site(request: HttpRequest) -> HttpResponse:
    """List sites to choose for a visit."""
    text = read_scrap(request.GET.get("q"))
    page = key_page(Site.objects.matching(text).with_owner(), request.GET, order=("code",), size=20)
    return render(request, "schedules/visit_site.html", {"page": page, "text": text})


@technicians
def visit(request: HttpRequest, pk: int) -> HttpResponse:
    """One visit: where, when, who, and what is to be done."""
    visits = Visit.objects.select_related("site").prefetch_related("technicians")
    visit = get_object_or_404(visits, pk=pk)
    taken = visit.visit_tasks.select_related("task__unit", "task__next_due__rule").order_by(
        "task__unit__code", "task__priority", "pk"
    )
    context = {
        "visit": visit,
        "taken": taken,
        "dangers": [entry.task for entry in taken if entry.task.makes_safe] if visit.is_open else [],
        "people": list(visit.technicians.all()),
        "owners": visit.site.ownerships.current().select_related("customer"),
        "two_needed": any(entry.task.persons > 1 for entry in taken),
        "any_open": any(entry.task.is_open for entry in taken),
        "is_over": visit.ends_at < timezone.now(),
        "notifications": Notification.objects.about_visit(visit.pk),
        "answers": visit.answers.select_related("customer").order_by("-at"),
        "changes": Change.objects.about(visit).for_page(),
    }
    return render(request, "schedules/visit.html", context)


@schedulers
def change_visit(request: HttpRequest, pk: int) -> HttpResponse:
    """Edit a visit's time, technicians and tasks."""
    visit = get_object_or_404(Visit.objects.select_related("site"), pk=pk)
    form = as_opened(_visit_form(visit, request.POST or None))
    if request.method == "POST" and apply_edit_or_report(
        form,
        lambda: operations.change_visit(visit, **_told(form), by=user_of(request), at=timezone.now()),
        record=visit,
        by=user_of(request),
        again=lambda: _visit_form(Visit.objects.get(pk=pk), None),
    ):
        messages.success(request, "Saved. Calendars follow when they next check.")
        return redirect(visit)
    return render(request, "schedules/visit_form.html", _offers(form), status=status_of(form))


@schedulers
@require_POST
def confirm_visit(request: HttpRequest, pk: int) -> HttpResponse:
    """Confirm a proposed visit."""
    visit = get_object_or_404(Visit, pk=pk)
    try:
        operations.confirm_visit(visit, by=user_of(request), at=timezone.now())
        messages.success(request, "Confirmed.")
    except RuleViolation as refusal:
        messages.error(request, str(refusal))
    return redirect(visit)


@schedulers
def cancel_visit(request: HttpRequest, pk: int) -> HttpResponse:
    """Cancel a visit; its tasks go back on the list."""
    visit = get_object_or_404(Visit.objects.select_related("site"), pk=pk)
    form = WhyForm(request.POST or None)
    if request.method == "POST" and apply_or_report(
        form,
        lambda: operations.cancel_visit(
            visit, why=form.cleaned_data["why"], by=user_of(request), at=timezone.now()
        ),
    ):
        messages.success(request, "Canceled. Its tasks are on the list of work to schedule again.")
        return redirect(visit)
    return render(
        request, "schedules/visit_cancel.html", {"form": form, "visit": visit}, status=status_of(form)
    )


def _told(form: VisitForm) -> dict[str, Any]:
    """Cleaned data of a visit form as arguments of the operations."""
    data = {name: form.cleaned_data[name] for name in PLAN}
    return {**data, **{name: list(data[name]) for name in ("technicians", "tasks", "coming")}}


def _offers(form: VisitForm) -> dict[str, Any]:
    """Template context of a visit form."""
    return {
        "form": form,
        "site": form.site,
        "visit": form.visit,
        "tasks": by_unit(form.offered_tasks()),
        "coming": by_unit(form.offered_maintenance()),
        "planned": _planned_soon(form.visit),
    }


def _planned_soon(but: Visit | None) -> list[Visit]:
    """List the visits of the next two weeks, to plan around."""
    soon = Visit.objects.open().between(*day_bounds(timezone.localdate(), days=14)).for_list()
    return list(soon.exclude(pk=but.pk)[:SHOWN] if but else soon[:SHOWN])


def _visit_form(visit: Visit, data: QueryDict | None) -> VisitForm:
    """Form of a visit, with what is planned now."""
    return VisitForm(data, site=visit.site, visit=visit, initial=_as_planned(visit))


def _as_planned(visit: Visit) -> dict[str, Any]:
    return {
        "day": visit.local_start.date(),
        "time": visit.local_start.time(),
        "minutes": visit.minutes,
        "technicians": visit.technicians.all(),
        "note": visit.note,
        "tasks": visit.visit_tasks.filter(task__state=MaintenanceTask.State.IN_PROCESS).values_list(
            "task", flat=True
        ),
    }
