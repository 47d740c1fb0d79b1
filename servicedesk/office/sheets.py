"""Sheets of a unit and of a site: all that the register, the calls and the schedule know of them."""

from __future__ import annotations

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, render
from django.utils import timezone

from schedules.models import MaintenanceTask, NextDue, Visit
from servicedesk.accounts.rights import owners, technicians
from servicedesk.calls.marks import marks_of
from servicedesk.calls.models import Call, Finding, Inspection, Photo, Work
from servicedesk.core.models import Change
from units.cautions import DEFERENCE, cautions_for
from units.models import InstalledPart, Site, Unit
from units.shapes import drawings_of

SHOWN = 20


@technicians
def unit_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Sheet of a unit: its drawing, its parts, what is due and what happened."""
    unit = get_object_or_404(Unit.objects.for_sheet(), pk=pk)
    parts = list(unit.installed_parts.all())
    in_place = [part for part in parts if part.removed_on is None]
    kinds = {part.kind for part in in_place}
    findings = list(Finding.objects.for_unit_sheet(unit)[:SHOWN])
    context = {
        "unit": unit,
        "in_place": in_place,
        "taken_out": [part for part in parts if part.removed_on is not None],
        "photos": Photo.objects.of_unit(unit)[:SHOWN],
        "drawings": drawings_of(
            unit,
            kinds=kinds,
            unit_of_length=settings.LENGTH_UNIT,
            marks=marks_of(findings, unit.panels),
        ),
        "cautions": cautions_for(
            unit, kinds=kinds, type_names=[str(part.component_type) for part in in_place]
        ),
        "deference": DEFERENCE,
        "findings": findings,
        "dangers": Finding.objects.for_unit_sheet(unit).standing_dangers(),
        "works": Work.objects.for_unit_sheet(unit)[:SHOWN],
        "inspections": Inspection.objects.filter(unit=unit)
        .without_fault()
        .order_by("-inspected_on", "-pk")[:3],
        "calls": Call.objects.open().filter(unit=unit).for_list().most_urgent_first(),
        "due": NextDue.objects.for_unit(unit.pk),
        "tasks": MaintenanceTask.objects.open().filter(unit=unit).order_by("due_on", "pk"),
        "changes": Change.objects.about(unit).for_page()[:SHOWN],
        "whole": InstalledPart.WHOLE,
    }
    return render(request, "office/unit_sheet.html", context)


@technicians
def site_sheet(request: HttpRequest, pk: int) -> HttpResponse:
    """Sheet of a site: its owner, units, open calls, what is due, and visits."""
    site = get_object_or_404(Site, pk=pk)
    context = {
        "site": site,
        "ownerships": site.ownerships.select_related("customer").order_by("-from_on"),
        "units": site.units.select_related("construction").order_by("removed_on", "code"),
        "calls": Call.objects.open().filter(site=site).for_list().most_urgent_first(),
        "tasks": MaintenanceTask.objects.for_site(site.pk),
        "visits": Visit.objects.filter(site=site).for_list().reverse()[:SHOWN],
        "past_calls": Call.objects.exclude(state__in=Call.OPEN)
        .filter(site=site)
        .select_related("unit")
        .order_by("-reported_at", "-pk")[:SHOWN],
        "changes": Change.objects.about(site).for_page()[:SHOWN],
        "now": timezone.now(),
    }
    return render(request, "office/site_sheet.html", context)


@owners
def reference(request: HttpRequest) -> HttpResponse:
    """Page of links to the reference data."""
    return render(request, "office/reference.html")
