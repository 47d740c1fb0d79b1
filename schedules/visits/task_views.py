"""Views of due work and of single tasks."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django import forms
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules import operations
from schedules.forms import HORIZONS, DoneForm, DueWorkForm, WaitForm, WhyForm
from schedules.maintenance.due_work import sites_with_work
from schedules.models import ClockMark, MaintenanceTask
from schedules.operations.raising import RAISE
from servicedesk.accounts.rights import schedulers, technicians, user_of
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.words import count
from units.views import status_of

TASKS = MaintenanceTask.objects.select_related(
    "site", "unit", "next_due__rule", "installed_part__component_type"
)


@schedulers
def due_work(request: HttpRequest) -> HttpResponse:
    """List the work that is due and not planned, by site."""
    search = DueWorkForm(request.GET)
    data = search.cleaned_data if search.is_valid() else {}
    today = timezone.localdate()
    page = sites_with_work(
        request.GET,
        today=today,
        until=today + HORIZONS[data.get("horizon", "")],
        origin=data.get("origin", ""),
        text=data.get("q", "").strip(),
    )
    mark = ClockMark.objects.filter(task=RAISE).first()
    return render(request, "schedules/task_sites.html", {"page": page, "search": search, "mark": mark})


@schedulers
@require_POST
def look_now(request: HttpRequest) -> HttpResponse:
    """Scan for due maintenance now, instead of waiting for the clock."""
    at = timezone.now()
    raised = operations.raise_due(timezone.localdate(at), at=at)
    messages.success(request, f"Checked: {count(raised, 'new task')}.")
    return redirect("schedules:tasks")


@technicians
def task(request: HttpRequest, pk: int) -> HttpResponse:
    """One task: what to do, why, and what became of it."""
    task = get_object_or_404(TASKS, pk=pk)
    context = {
        "task": task,
        "visits": task.visit_tasks.select_related("visit").order_by("-visit__starts_at"),
        "changes": Change.objects.about(task).for_page(),
    }
    return render(request, "schedules/task.html", context)


@schedulers
def let_wait(request: HttpRequest, pk: int) -> HttpResponse:
    """Let a task wait for a part, the maker or the customer."""
    form = WaitForm(request.POST or None)
    return _change(
        request,
        pk,
        form,
        "schedules/task_wait.html",
        lambda task, **said: operations.let_task_wait(task, **said),
    )


@schedulers
def cancel(request: HttpRequest, pk: int) -> HttpResponse:
    """Cancel a task that is not done."""
    form = WhyForm(request.POST or None)
    return _change(
        request,
        pk,
        form,
        "schedules/task_cancel.html",
        lambda task, **said: operations.cancel_task(task, **said),
    )


@schedulers
def done(request: HttpRequest, pk: int) -> HttpResponse:
    """Complete a task that was done outside of any visit."""
    form = DoneForm(request.POST or None, initial={"on": timezone.localdate()})
    return _change(
        request,
        pk,
        form,
        "schedules/task_done.html",
        lambda task, **said: operations.complete_task(task, **said),
    )


@schedulers
@require_POST
def go_on(request: HttpRequest, pk: int) -> HttpResponse:
    """End the waiting of a task."""
    task = get_object_or_404(MaintenanceTask, pk=pk)
    try:
        operations.stop_waiting(task, by=user_of(request), at=timezone.now())
    except RuleViolation as refusal:
        messages.error(request, str(refusal))
    return redirect(task)


def _change(
    request: HttpRequest, pk: int, form: forms.Form, template: str, change: Callable[..., Any]
) -> HttpResponse:
    """Show the form of a change to a task, and apply the change."""
    task = get_object_or_404(TASKS, pk=pk)
    if request.method == "POST" and apply_or_report(
        form, lambda: change(task, **form.cleaned_data, by=user_of(request), at=timezone.now())
    ):
        messages.success(request, "Saved.")
        return redirect(task)
    return render(request, template, {"task": task, "form": form}, status=status_of(form))
