"""One click for a unit, or a whole site, that was looked at and found good."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect
from django.utils import timezone
from django.views.decorators.http import require_POST

from servicedesk.calls import operations
from servicedesk.people.rights import technicians, user_of
from servicedesk.refusals import RuleViolation
from units.models import Site, Unit

from .places import asked_call, asked_visit, back_to


def _look(request: HttpRequest, look: Callable[[], str]) -> None:
    try:
        messages.success(request, look())
    except RuleViolation as refusal:
        messages.error(request, str(refusal))


@technicians
@require_POST
def see_fine(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """Note that a unit was looked at today and found good."""
    unit = get_object_or_404(Unit.objects.select_related("site"), pk=unit_pk)
    call, visit = asked_call(request, unit.site), asked_visit(request, unit.site)

    def look() -> str:
        operations.see_fine(unit, call=call, visit=visit, by=user_of(request), at=timezone.now())
        return f"Unit {unit.code} was seen today and is fine."

    _look(request, look)
    return redirect(back_to(call=call, visit=visit, otherwise=unit).url)


@technicians
@require_POST
def see_all_fine(request: HttpRequest, site_pk: int) -> HttpResponse:
    """Note that all units of a site were looked at today; those with findings of today are left out."""
    site = get_object_or_404(Site, pk=site_pk)
    call, visit = asked_call(request, site), asked_visit(request, site)

    def look() -> str:
        seen = operations.see_all_fine(site, call=call, visit=visit, by=user_of(request), at=timezone.now())
        codes = ", ".join(look.unit.code for look in seen)
        return f"Seen today and fine: {codes}." if seen else "No unit here is left to be seen as fine today."

    _look(request, look)
    return redirect(back_to(call=call, visit=visit, otherwise=site).url)
