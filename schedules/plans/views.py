"""Views of the week sheet: the routes, planning them, moving a visit, one route to take along."""

from __future__ import annotations

from datetime import date, timedelta

from django import forms
from django.contrib import messages
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules import operations
from schedules.forms import WeekForm
from schedules.models import MaintenanceTask, Visit, WeekPlan
from schedules.plans.forms import AskForm, MoveForm, WeatherForm
from schedules.plans.map import draw_route
from schedules.plans.sheet import read_route, read_sheet
from schedules.plans.weeks import monday_of
from schedules.visits.moving import chosen, list_options, read_moves
from schedules.visits.shifts import week_ahead
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import schedulers, technicians, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.typed import read_day
from units.views import status_of


@schedulers
def week_sheet(request: HttpRequest) -> HttpResponse:
    """The routes of a week, day by day and person by person, and unassigned work."""
    monday, today = _monday(request), timezone.localdate()
    plans = WeekPlan.objects.of_week(monday)
    done = plans.filter(stage=WeekPlan.Stage.DONE).first()
    sheet = read_sheet(monday)
    context = {
        "monday": monday,
        "sunday": monday + timedelta(days=6),
        "before": monday - timedelta(days=7),
        "after": monday + timedelta(days=7),
        "sheet": sheet,
        "dangers": MaintenanceTask.objects.making_safe().unplanned().select_related("site", "unit"),
        "plan": plans.first(),
        "unassigned": done.unassigned.select_related("site") if done else [],
        "done": done,
        "ask": AskForm(initial={"week": monday}),
        "this_week": monday_of(today),
        "over": monday + timedelta(days=6) < today,
        "proposed": sum(each.proposed for each in sheet.routes),
    }
    return render(request, "schedules/week_sheet.html", context)


@schedulers
@require_POST
def ask_for_week(request: HttpRequest) -> HttpResponse:
    """Request the plan of a week."""
    form = AskForm(request.POST)
    plan = apply_or_report(
        form,
        lambda: operations.ask_for_week(
            monday_of(form.cleaned_data["week"]),
            horizon_days=form.cleaned_data["horizon"],
            by=user_of(request),
            at=timezone.now(),
        ),
    )
    if plan is None:
        messages.error(request, " ".join(str(text) for texts in form.errors.values() for text in texts))
    return redirect(_sheet_of(form.cleaned_data.get("week") or week_ahead(timezone.localdate())))


@schedulers
def week_progress(request: HttpRequest, pk: int) -> HttpResponse:
    """Progress of the planning of a week; the page polls until it is done."""
    plan = get_object_or_404(WeekPlan, pk=pk)
    if "HX-Request" not in request.headers:
        return redirect(_sheet_of(plan.monday))
    answer = render(request, "schedules/week_progress.html", {"plan": plan})
    if plan.stage not in WeekPlan.UNDER_WAY:
        answer["HX-Redirect"] = _sheet_of(plan.monday)
    return answer


@schedulers
def weather(request: HttpRequest) -> HttpResponse:
    """Edit the weather of a week, for work that must not be done in the cold."""
    monday = _monday(request)
    form = as_opened(WeatherForm(request.POST or None, monday=monday))

    def store() -> bool:
        operations.set_weather(form.weather(), by=user_of(request), at=timezone.now())
        return True

    if request.method == "POST" and apply_edit_or_report(
        form, store, record=None, by=user_of(request), again=lambda: WeatherForm(monday=monday)
    ):
        messages.success(request, "Saved. Plan the week again to use it.")
        return redirect(_sheet_of(monday))
    context = {"form": form, "monday": monday, "back": _sheet_of(monday)}
    return render(request, "schedules/week_weather.html", context, status=status_of(form))


@technicians
def route_sheet(request: HttpRequest, person_pk: int, day: str) -> HttpResponse:
    """One person's route of a day, to print and to take along."""
    person, on = _whose_route(request, person_pk, day)
    route = read_route(person, on)
    picture = ""
    if route is not None:
        title = f"{person.name}’s route on {long_date(on)}"
        stops = [leg.position for leg in route.legs]
        picture = draw_route(route.home, stops, title=title, id_prefix="round")
    context = {
        "person": person,
        "day": on,
        "route": route,
        "picture": picture,
        "before": on - timedelta(days=1),
        "after": on + timedelta(days=1),
        "monday": monday_of(on),
    }
    return render(request, "schedules/route.html", context)


@schedulers
@require_POST
def confirm_route(request: HttpRequest, person_pk: int, day: str) -> HttpResponse:
    """Confirm all proposed visits of one person's day."""
    person, on = _whose_route(request, person_pk, day)
    route = read_route(person, on)
    proposed = [leg.visit for leg in route.legs if leg.visit.state == "tentative"] if route else []
    try:
        for visit in proposed:
            operations.confirm_visit(visit, by=user_of(request), at=timezone.now())
        messages.success(request, f"{len(proposed)} confirmed.")
    except RuleViolation as refusal:
        messages.error(request, str(refusal))
    return redirect(reverse("schedules:route", args=[person.pk, on.isoformat()]))


@schedulers
def move_visit(request: HttpRequest, pk: int) -> HttpResponse:
    """List every place in the week that a proposed visit could move to, with its cost; move it."""
    visit = get_object_or_404(Visit.objects.select_related("site").prefetch_related("technicians"), pk=pk)
    form = MoveForm(request.POST or None)
    moves = read_moves(visit, now=timezone.now())

    def move() -> Visit:
        place = chosen(moves, form.cleaned_data["to"])
        if place is None:
            raise RuleViolation(
                {"to": ["The route has changed meanwhile, and that place is gone: choose again."]}
            )
        day, insertion = place
        starts = {int(str(each.stop.key)): moves.week.moment(each.begins) for each in insertion.round.stops}
        return operations.move_visit(
            visit, person=day.person, starts=starts, by=user_of(request), at=timezone.now()
        )

    if request.method == "POST" and apply_or_report(form, move):
        messages.success(request, "Moved. It stays there when the week is planned again.")
        return redirect(_sheet_of(visit.local_start.date()))
    context = {
        "visit": visit,
        "form": form,
        "options": list_options(moves),
        "two": visit.technicians.count() > 1,
        "back": _sheet_of(visit.local_start.date()),
    }
    return render(request, "schedules/visit_move.html", context, status=status_of(form))


@schedulers
@require_POST
def keep_visit(request: HttpRequest, pk: int) -> HttpResponse:
    """Fix a proposed visit against replanning, or release it."""
    visit, form = get_object_or_404(Visit, pk=pk), forms.Form(request.POST)
    fixed = request.POST.get("fixed") == "yes"
    try:
        operations.keep_visit(visit, fixed=fixed, by=user_of(request), at=timezone.now())
        messages.success(request, "This time is fixed." if fixed else "Planning the week may move it again.")
    except RuleViolation as refusal:
        refusal.tell(form)
        messages.error(request, str(refusal))
    return redirect(visit)


def _monday(request: HttpRequest) -> date:
    form = WeekForm(request.GET, people=[])
    form.is_valid()
    week = form.cleaned_data.get("week")
    return monday_of(week) if week else week_ahead(timezone.localdate())


def _sheet_of(day: date) -> str:
    return f"{reverse('schedules:week_sheet')}?week={monday_of(day).isoformat()}"


def _whose_route(request: HttpRequest, person_pk: int, day: str) -> tuple[User, date]:
    """Person and day of the requested route: one's own, or as a scheduler anybody's."""
    user = user_of(request)
    if person_pk != user.pk and not user.may_act_as(Role.SCHEDULER):
        raise PermissionDenied
    on = read_day(day)
    if on is None:
        raise Http404
    return get_object_or_404(User, pk=person_pk), on
