"""Pages of surveillance, and views that create inspections from any figure."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules.operations import Inspections, add_inspections
from servicedesk.accounts.rights import owners, user_of
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.words import count
from servicedesk.core.web.exports import csv_response
from servicedesk.reports import tables
from servicedesk.reports.forms import FindingsForm
from servicedesk.reports.models import LotFlag
from servicedesk.reports.numerics.counts.unlike_sites import DRAWS
from servicedesk.reports.queries.listing import findings_behind
from servicedesk.reports.questions.judgements import PER
from servicedesk.reports.surveillance.chart import flags_picture
from servicedesk.reports.surveillance.context import flag_findings, flag_lines, thin_lines
from servicedesk.reports.surveillance.figure import (
    MOST_THIN,
    false_sentence,
    flag_words,
    sites_to_warn,
    surveillance_figure,
    surveillance_sentence,
    thin_sentence,
    units_with,
)
from servicedesk.reports.surveillance.forms import InspectForm
from servicedesk.reports.views import bad_question
from units.models import Unit


@owners
def surveillance(request: HttpRequest) -> HttpResponse:
    """Open and cleared flags of lots and types, as a page or a CSV file."""
    figure = surveillance_figure()
    if "csv" in request.GET:
        return csv_response(
            "lots-that-stood-out.csv", tables.SURVEILLANCE_HEADER, tables.surveillance_rows(figure)
        )
    context = {
        "figure": figure,
        "sentence": surveillance_sentence(figure),
        "false_sentence": false_sentence(figure),
        "thin_sentence": thin_sentence(figure),
        "thin_lines": thin_lines(figure),
        "most": MOST_THIN,
        "per": PER,
        "draws": DRAWS,
        "picture": flags_picture(figure),
        "lines": flag_lines(figure),
    }
    return render(request, "reports/surveillance.html", context)


@owners
def flag(request: HttpRequest, pk: int) -> HttpResponse:
    """Page of one flag: the sites and owners of the lot or type, and the form for inspections."""
    lot_flag = get_object_or_404(LotFlag.objects.for_list(), pk=pk)
    form = InspectForm(reason=f"inspect {lot_flag.words}: it fails too often", today=timezone.localdate())
    context = {
        "flag": lot_flag,
        "words": flag_words(lot_flag),
        "findings": flag_findings(lot_flag),
        "warn": sites_to_warn(lot_flag),
        "inspect": form,
        "action": reverse("reports:inspect_flag", args=[pk]),
    }
    return render(request, "reports/flag.html", context)


@owners
@require_POST
def inspect_flag(request: HttpRequest, pk: int) -> HttpResponse:
    """Create inspections of all units that have a lot or type in place."""
    lot_flag = get_object_or_404(LotFlag, pk=pk)
    return _inspect(request, lambda: list(units_with(lot_flag)), back=lot_flag.get_absolute_url())


@owners
@require_POST
def inspect_findings(request: HttpRequest) -> HttpResponse:
    """Create inspections of all units in place with one of the findings behind a number."""
    form = FindingsForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/findings.html")
    unit_ids = findings_behind(form.selection, form.chosen_exclusion_reason).order_by().values("unit_id")
    units = Unit.objects.in_place().filter(pk__in=unit_ids).select_related("site").order_by("code")
    query = request.GET.urlencode()
    return _inspect(request, lambda: list(units), back=f"{reverse('reports:findings')}?{query}")


def _inspect(request: HttpRequest, units: Callable[[], list[Unit]], *, back: str) -> HttpResponse:
    """Create inspections, report the result as a message, and redirect."""
    form = InspectForm(request.POST, today=timezone.localdate())
    made: Inspections | None = apply_or_report(
        form, lambda: add_inspections(units(), **form.cleaned_data, by=user_of(request), at=timezone.now())
    )
    if made is None:
        said: list[Any] = [text for texts in form.errors.values() for text in texts]
        messages.error(request, " ".join(map(str, said)))
    else:
        there = f" {count(made.there, 'unit')} had one already." if made.there else ""
        messages.success(request, f"{count(made.made, 'inspection')} added to the work to schedule.{there}")
    return redirect(back)
