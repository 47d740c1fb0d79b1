"""Origin of a record (a call, a visit or a unit's sheet), which sets where the page leads afterward."""

from __future__ import annotations

from typing import NamedTuple

from django.http import HttpRequest
from django.shortcuts import get_object_or_404
from django.urls import reverse

from schedules.models import Visit
from servicedesk.calls.models import Call
from servicedesk.core.values.typed import read_key
from units.models import Site, Unit


def query_pk(request: HttpRequest, name: str) -> int | None:
    """Parse a record's key from the address or the form; anything else counts as none."""
    text = request.GET.get(name) or request.POST.get(name) or ""
    return read_key(text)


def query_visit(request: HttpRequest, site: Site) -> Visit | None:
    """Visit to a site that a page was opened from, if any."""
    pk = query_pk(request, "visit")
    return None if pk is None else get_object_or_404(Visit, pk=pk, site=site)


def query_call(request: HttpRequest, site: Site) -> Call | None:
    """Call from a site that a page was opened from, if any."""
    pk = query_pk(request, "call")
    return None if pk is None else get_object_or_404(Call, pk=pk, site=site)


def query_unit(request: HttpRequest, call: Call) -> Unit | None:
    """Unit of a call's page: one named in the address, else the call's own.

    None lets the page ask for one: nobody has named a unit, or it is "other" than the call's.
    """
    if request.GET.get("unit") == "other":
        return None
    pk = query_pk(request, "unit") or call.unit_id
    if pk is None:
        return None
    return get_object_or_404(Unit.objects.select_related("construction", "site"), pk=pk, site=call.site_id)


class Place(NamedTuple):
    """Page to return to, and its name."""

    url: str
    name: str


def back_to(*, call: Call | None, visit: Visit | None, otherwise: Unit | Site) -> Place:
    """Page to return to: the call, the visit, or the unit's or site's sheet."""
    if call is not None:
        return Place(call.get_absolute_url(), "The call")
    if visit is not None:
        return Place(reverse("schedules:visit", args=[visit.pk]), "The visit")
    kind = "Unit" if isinstance(otherwise, Unit) else "Site"
    return Place(otherwise.get_absolute_url(), f"{kind} {otherwise.code}")
