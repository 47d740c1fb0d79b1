"""View that finishes a visit."""

from __future__ import annotations

from datetime import datetime

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from schedules.models import Visit
from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls.forms import FinishForm
from servicedesk.calls.operations import Finished, dangers_of, finish, tasks_of
from servicedesk.core.rules.refusals import apply_or_report


@technicians
def finish_page(request: HttpRequest, pk: int) -> HttpResponse:
    """Finish a visit: record of each task whether it was done, or why not."""
    visit = get_object_or_404(Visit.objects.for_list(), pk=pk)
    if visit.finished_at is not None:
        messages.info(request, "This visit is finished.")
        return redirect("schedules:visit", pk)
    now, data = timezone.localtime(), request.POST or None
    form = FinishForm(data, tasks=tasks_of(visit), dangers=dangers_of(visit), initial={"ended_at": now})

    def keep() -> Finished:
        ended = datetime.combine(timezone.localdate(visit.starts_at), form.cleaned_data["ended_at"])
        return finish(
            visit,
            results=form.results(),
            made_safe=form.made_safe(),
            note=form.cleaned_data["note"],
            finished_at=timezone.make_aware(ended),
            by=user_of(request),
            at=timezone.now(),
        )

    if request.method == "POST" and (finished := apply_or_report(form, keep)):
        messages.success(request, "The visit is finished.")
        for call, reason in finished.open_still:
            messages.warning(request, f"The call at {call.site} stays open. {reason}")
        return redirect("schedules:visit", pk)
    context = {"form": form, "visit": visit}
    return render(request, "office/finish_visit.html", context, status=422 if form.errors else 200)
