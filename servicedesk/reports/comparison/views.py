"""Pages of the comparison of two types."""

from __future__ import annotations

from functools import partial

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from servicedesk.accounts.rights import owners
from servicedesk.core.web.exports import csv_response
from servicedesk.reports import tables
from servicedesk.reports.caching.background import in_background
from servicedesk.reports.caching.figures import cached_figure
from servicedesk.reports.comparison.chart import ratio_picture
from servicedesk.reports.comparison.context import pairs_of_types, side_lines, strata_lines
from servicedesk.reports.comparison.figure import compare_figure, comparison_sentence
from servicedesk.reports.curves.chart import curve_pictures
from servicedesk.reports.curves.figure import curves_figure
from servicedesk.reports.forms import CompareForm
from servicedesk.reports.questions.asking import RECURRENCE
from servicedesk.reports.rates.context import excluded_links
from servicedesk.reports.sentences import (
    selection_words,
)
from servicedesk.reports.views import bad_question


@owners
@in_background
def compare(request: HttpRequest) -> HttpResponse:
    """Comparison of two types of part, as a page or a CSV file."""
    form = CompareForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/compare.html")
    if form.pair is None:
        return render(request, "reports/compare.html", {"form": form, "pairs": pairs_of_types()})
    chosen, (one, other) = form.selection, form.pair
    figure = cached_figure(
        "compare", chosen, one, other, compute=partial(compare_figure, chosen, one=one, other=other)
    )
    if "csv" in request.GET:
        return csv_response("two-types.csv", tables.compare_header(figure), tables.compare_rows(figure))
    both = figure.selection
    curves = cached_figure("curves", both, RECURRENCE, compute=partial(curves_figure, both, name=RECURRENCE))
    context = {
        "form": form,
        "figure": figure,
        "sentence": comparison_sentence(figure),
        "about": list(selection_words(form.selection)),
        "picture": ratio_picture(figure),
        "curves": curve_pictures(curves),
        "sides": side_lines(figure),
        "strata": strata_lines(figure),
        "excluded": excluded_links(both, curves.exclusions),
    }
    return render(request, "reports/compare.html", context)
