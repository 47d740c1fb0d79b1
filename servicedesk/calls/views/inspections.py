"""Views that record an inspection with no fault found, of a unit or a whole site, in one click."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls import operations
from servicedesk.core.rules.refusals import RuleViolation
from units.models import Site, Unit

from .places import back_to, query_call, query_visit


def _inspection(request: HttpRequest, inspection: Callable[[], str]) -> None:
    try:
        messages.success(request, inspection())
    except RuleViolation as refusal:
        messages.error(request, str(refusal))


@technicians
@require_POST
def record_no_fault(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """Record that a unit was inspected today with no fault found."""
    unit = get_object_or_404(Unit.objects.select_related("site"), pk=unit_pk)
    call, visit = query_call(request, unit.site), query_visit(request, unit.site)

    def inspection() -> str:
        operations.record_no_fault(unit, call=call, visit=visit, by=user_of(request), at=timezone.now())
        return f"Unit {unit.code} was inspected today, no faults."

    _inspection(request, inspection)
    return redirect(back_to(call=call, visit=visit, otherwise=unit).url)


@technicians
@require_POST
def record_no_faults(request: HttpRequest, site_pk: int) -> HttpResponse:
    """Record an inspection of all units of a site today; those with findings of today are left out."""
    site = get_object_or_404(Site, pk=site_pk)
    call, visit = query_call(request, site), query_visit(request, site)

    def inspection() -> str:
        seen = operations.record_no_faults(
            site, call=call, visit=visit, by=user_of(request), at=timezone.now()
        )
        codes = ", ".join(inspection.unit.code for inspection in seen)
        return f"Inspected today, no faults: {codes}." if seen else "No unit is left to inspect here today."

    _inspection(request, inspection)
    return redirect(back_to(call=call, visit=visit, otherwise=site).url)
