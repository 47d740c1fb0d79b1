"""Views that record and correct findings."""

from __future__ import annotations

from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls import operations
from servicedesk.calls.forms import ChangeFindingForm, FindingForm
from servicedesk.calls.models import Call, Finding
from servicedesk.calls.site_plan import walls_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.models import Change
from units.models import Unit
from units.shapes import drawings_of
from units.views import status_of

from .places import back_to, query_unit, query_visit


def _drawn(unit: Unit) -> dict[str, Any]:
    """Drawing of a unit for picking panel and corner on it."""
    kinds = set(unit.installed_parts.in_place().order_by().values_list("kind", flat=True))
    drawings = drawings_of(unit, kinds=kinds, unit_of_length=settings.LENGTH_UNIT, pick=True)
    return {"unit": unit, "drawing": drawings.elevation}


def _asked(request: HttpRequest, *, detected: str) -> dict[str, Any]:
    """Initial values that the page knows before anything is typed."""
    return {
        "mode": request.GET.get("mode"),
        "found_on": request.GET.get("found_on") or timezone.localdate(),
        "detected": detected,
    }


def _add(request: HttpRequest, unit: Unit, *, call: Call | None) -> HttpResponse:
    visit = query_visit(request, unit.site)
    detected = Finding.Detected.CALLED if call else Finding.Detected.MAINTENANCE if visit else ""
    initial = _asked(request, detected=detected)
    form = FindingForm(request.POST or None, instance=Finding(unit=unit, call=call), initial=initial)
    where = back_to(call=call, visit=visit, otherwise=unit)

    def make() -> str:
        form.ask_whether_repeat()
        operations.record_finding(form.instance, visit=visit, by=user_of(request), at=timezone.now())
        messages.success(request, f"Recorded: {form.cleaned_data['mode']}.")
        return where.url

    if to := save_idempotent(request, form, make):
        return redirect(to)
    context = {"form": form, "call": call, "back": where, **_drawn(unit)}
    return render(request, "calls/finding_add.html", context, status=status_of(form))


@technicians
def add_finding(request: HttpRequest, call_pk: int) -> HttpResponse:
    """Record a finding on a call; first choose the unit, where nobody has named it."""
    call = get_object_or_404(Call.objects.select_related("site", "unit"), pk=call_pk)
    unit = query_unit(request, call)
    if unit is None:
        context = {"call": call, "walls": walls_of(call.site.units.in_place())}
        return render(request, "calls/finding_unit.html", context)
    return _add(request, unit, call=call)


@technicians
def add_unit_finding(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """Record a finding at a unit without a call."""
    unit = get_object_or_404(Unit.objects.select_related("construction", "site"), pk=unit_pk)
    return _add(request, unit, call=None)


@technicians
def change_finding(request: HttpRequest, finding_pk: int) -> HttpResponse:
    """Correct a finding."""
    finding = get_object_or_404(
        Finding.objects.select_related("unit__construction", "unit__site", "call", "mode"), pk=finding_pk
    )
    form = as_opened(ChangeFindingForm(request.POST or None, instance=finding))

    def keep() -> Finding:
        form.ask_whether_repeat()
        return operations.change_finding(form.instance, by=user_of(request), at=timezone.now())

    def again() -> ChangeFindingForm:
        return ChangeFindingForm(instance=Finding.objects.select_related("unit", "call").get(pk=finding_pk))

    where = back_to(call=finding.call, visit=None, otherwise=finding.unit)
    if request.method == "POST" and apply_edit_or_report(
        form, keep, record=finding, by=user_of(request), again=again
    ):
        messages.success(request, "Saved. Figures are updated overnight.")
        return redirect(where.url)
    changes = Change.objects.about(finding).for_page()
    context = {"form": form, "finding": finding, "back": where, "changes": changes, **_drawn(finding.unit)}
    return render(request, "calls/finding_change.html", context, status=status_of(form))
