"""Pages of the forecast of twelve months."""

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
from servicedesk.reports.forecast.chart import forecast_pictures
from servicedesk.reports.forecast.context import forecast_lines
from servicedesk.reports.forecast.figure import forecast_figure
from servicedesk.reports.forecast.forms import ForecastForm
from servicedesk.reports.likely_modes import how_often_right
from servicedesk.reports.rates.context import excluded_links
from servicedesk.reports.sentences import (
    forecast_sentence,
    selection_words,
)
from servicedesk.reports.views import bad_question


@owners
@in_background
def predictions(request: HttpRequest) -> HttpResponse:
    """Accuracy of the predicted modes: how often the one found on a call was among the first three."""
    right = cached_figure("foretold", compute=how_often_right)
    return render(request, "reports/predictions.html", {"right": right})


@owners
@in_background
def forecast(request: HttpRequest) -> HttpResponse:
    """Forecast of the next twelve months, as a page or a CSV file."""
    form = ForecastForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/forecast.html")
    chosen, assumptions = form.selection, form.assumptions
    figure = cached_figure(
        "ahead", chosen, assumptions, compute=partial(forecast_figure, chosen, assumptions)
    )
    if "csv" in request.GET:
        rows = tables.forecast_rows(figure)
        return csv_response("twelve-months-ahead.csv", tables.forecast_header(figure), rows)
    context = {
        "form": form,
        "figure": figure,
        "sentence": forecast_sentence(figure),
        "about": list(selection_words(form.selection)),
        "pictures": forecast_pictures(figure),
        "lines": forecast_lines(figure),
        "excluded": excluded_links(figure.selection, figure.exclusions),
    }
    return render(request, "reports/forecast.html", context)
