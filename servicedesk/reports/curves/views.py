"""Pages of curves over age."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from servicedesk.accounts.rights import owners
from servicedesk.core.web.exports import csv_response
from servicedesk.reports import tables
from servicedesk.reports.caching.background import in_background
from servicedesk.reports.caching.figures import cached_figure
from servicedesk.reports.curves.chart import curve_pictures
from servicedesk.reports.curves.context import curve_lines
from servicedesk.reports.curves.figure import CurvesFigure, curves_figure
from servicedesk.reports.forms import CurvesForm
from servicedesk.reports.questions.asking import RECURRENCE, SURVIVAL
from servicedesk.reports.questions.traits import GROUPINGS
from servicedesk.reports.rates.context import excluded_links
from servicedesk.reports.sentences import (
    curves_sentence,
    selection_words,
)
from servicedesk.reports.views import bad_question


@owners
@in_background
def aging(request: HttpRequest) -> HttpResponse:
    """Mean cumulative functions by age, as a page or a CSV file."""
    return _curves(request, name=RECURRENCE, template="reports/aging.html")


@owners
@in_background
def lasting(request: HttpRequest) -> HttpResponse:
    """Survival to the first failure by age, as a page or a CSV file."""
    return _curves(request, name=SURVIVAL, template="reports/lasting.html")


def _curves(request: HttpRequest, *, name: str, template: str) -> HttpResponse:
    """Response of a page of curves over age."""
    form = CurvesForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, template)
    chosen = form.selection
    figure = cached_figure("curves", chosen, name, compute=partial(curves_figure, chosen, name=name))
    if "csv" in request.GET:
        header, rows = tables.curves_header(figure), tables.curves_rows(figure)
        return csv_response(f"failure-{name}.csv", header, rows)
    return render(request, template, _curves_context(form, figure))


def _curves_context(form: CurvesForm, figure: CurvesFigure) -> dict[str, Any]:
    """Template context of a page of curves."""
    return {
        "form": form,
        "figure": figure,
        "sentence": curves_sentence(figure),
        "about": list(selection_words(figure.selection)),
        "pictures": curve_pictures(figure),
        "lines": curve_lines(figure),
        "grouped": GROUPINGS[figure.by],
        "excluded": excluded_links(figure.selection, figure.exclusions),
    }
