"""Views that record work done."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from schedules.models import MaintenanceTask
from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls import operations
from servicedesk.calls.forms import WorkForm
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.calls.site_plan import walls_of
from servicedesk.core.idempotency import save_idempotent
from units.cautions import SILICONE
from units.models import Unit
from units.views import status_of

from .places import back_to, query_pk, query_unit, query_visit


def _asked(request: HttpRequest, unit: Unit) -> dict[str, object]:
    """Initial values: the finding that the work answers, its part, and today."""
    pk = query_pk(request, "finding")
    finding = Finding.objects.filter(pk=pk, unit=unit).first() if pk else None
    return {
        "done_on": timezone.localdate(),
        "finding": finding,
        "installed_part": finding.installed_part_id if finding else None,
        "panel": finding.panel if finding else None,
        "pieces": "",
    }


def _task(request: HttpRequest, unit: Unit) -> MaintenanceTask | None:
    pk = query_pk(request, "task")
    return get_object_or_404(MaintenanceTask, pk=pk, site=unit.site) if pk else None


def _add(request: HttpRequest, unit: Unit, *, call: Call | None) -> HttpResponse:
    visit = query_visit(request, unit.site)
    work = Work(unit=unit, call=call, task=_task(request, unit))
    form = WorkForm(request.POST or None, instance=work, initial=_asked(request, unit))
    where = back_to(call=call, visit=visit, otherwise=unit)

    def make() -> str:
        allowed = form.cleaned_data["maker_allows"]
        done = operations.record_work(
            form.instance, swap=form.swap, maker_allows=allowed, by=user_of(request), at=timezone.now()
        )
        counted = " It counts as the maintenance that was due." if done.maintenance_moved else ""
        messages.success(request, f"Recorded: {done.work.get_kind_display()}.{counted}")
        return where.url

    if to := save_idempotent(request, form, make):
        return redirect(to)
    lined = operations.silicone_in_doubt(unit, None)
    context = {"form": form, "call": call, "unit": unit, "back": where, "lined": lined, "caution": SILICONE}
    return render(request, "calls/work_add.html", context, status=status_of(form))


@technicians
def add_work(request: HttpRequest, call_pk: int) -> HttpResponse:
    """Record work done on a call; first choose the unit, where nobody has named it."""
    call = get_object_or_404(Call.objects.select_related("site", "unit", "task"), pk=call_pk)
    unit = query_unit(request, call)
    if unit is None:
        context = {"call": call, "walls": walls_of(call.site.units.in_place()), "work": True}
        return render(request, "calls/finding_unit.html", context)
    return _add(request, unit, call=call)


@technicians
def add_unit_work(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """Record work done at a unit without a call."""
    unit = get_object_or_404(Unit.objects.select_related("construction", "site"), pk=unit_pk)
    return _add(request, unit, call=None)
