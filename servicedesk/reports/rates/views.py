"""Pages of failure rates."""

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
from servicedesk.reports.forms import RatesForm
from servicedesk.reports.questions.traits import GROUPINGS
from servicedesk.reports.rates.chart import rates_funnels, rates_pictures
from servicedesk.reports.rates.context import excluded_links, rate_lines, sensitivity
from servicedesk.reports.rates.figure import RatesFigure, rates_figure
from servicedesk.reports.sentences import (
    rates_example,
    rates_sentence,
    selection_words,
)
from servicedesk.reports.views import bad_question


@owners
@in_background
def rates(request: HttpRequest) -> HttpResponse:
    """Failure rates, as a page or a CSV file."""
    form = RatesForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/rates.html")
    chosen, by = form.selection, form.grouping
    figure = cached_figure("rates", chosen, by, compute=partial(rates_figure, chosen, by=by))
    if "csv" in request.GET:
        return csv_response("failure-rates.csv", tables.rates_header(figure), tables.rates_rows(figure))
    return render(request, "reports/rates.html", _rates_context(form, figure))


def _rates_context(form: RatesForm, figure: RatesFigure) -> dict[str, Any]:
    """Template context of the page of rates."""
    return {
        "form": form,
        "figure": figure,
        "sentence": rates_sentence(figure),
        "about": list(selection_words(figure.selection)),
        "pictures": rates_pictures(figure),
        "funnels": rates_funnels(figure),
        "lines": rate_lines(figure),
        "columns": 7 + figure.compared + figure.pooled,
        "grouped": GROUPINGS[figure.by],
        "excluded": excluded_links(figure.selection, figure.exclusions),
        "example": rates_example(figure),
        "again": cached_figure("again", figure.selection, compute=partial(sensitivity, figure)),
    }
