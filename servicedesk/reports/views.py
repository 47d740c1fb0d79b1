"""Pages on which the owner reads what the records say. Each answers the question in its title."""

from __future__ import annotations

from datetime import timedelta
from functools import partial
from typing import Any

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone

from servicedesk.accounts.rights import owners
from servicedesk.core.web.exports import csv_response
from servicedesk.core.web.paging import key_page
from servicedesk.reports import page_context, tables
from servicedesk.reports.background import in_background
from servicedesk.reports.cached_figures import cached_figure, fresh_figure
from servicedesk.reports.chart_context import (
    curve_pictures,
    rates_funnels,
    rates_pictures,
    ratio_picture,
)
from servicedesk.reports.comparison.figure import compare_figure, comparison_sentence
from servicedesk.reports.curves.figure import CurvesFigure, curves_figure
from servicedesk.reports.forms import CompareForm, CurvesForm, FindingsForm, LogForm, RatesForm
from servicedesk.reports.likely_modes import how_often_right
from servicedesk.reports.models import FailureDay, LogMark
from servicedesk.reports.plan_forms import InspectForm
from servicedesk.reports.queries.exclusion_reasons import EXCLUSION_REASON_WORDS
from servicedesk.reports.queries.listing import findings_behind
from servicedesk.reports.questions.asking import RECURRENCE, SURVIVAL
from servicedesk.reports.questions.traits import GROUPINGS
from servicedesk.reports.rates.figure import RatesFigure, rates_figure
from servicedesk.reports.sentences import (
    curves_sentence,
    rates_example,
    rates_sentence,
    selection_words,
)
from servicedesk.reports.summary import year_in_brief

BAD_QUESTION = 422
LOG_DAYS = 90


@owners
@in_background
def figures(request: HttpRequest) -> HttpResponse:
    """What the last twelve months took, and the questions the records can answer."""
    today = timezone.localdate()
    brief = fresh_figure("brief", today, compute=partial(year_in_brief, today))
    return render(request, "reports/figures.html", {"brief": brief})


@owners
@in_background
def rates(request: HttpRequest) -> HttpResponse:
    """How often parts fail."""
    form = RatesForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/rates.html")
    chosen, by = form.selection, form.grouping
    figure = cached_figure("rates", chosen, by, compute=partial(rates_figure, chosen, by=by))
    if "csv" in request.GET:
        return csv_response("failure-rates.csv", tables.rates_header(figure), tables.rates_rows(figure))
    return render(request, "reports/rates.html", _rates_context(form, figure))


@owners
@in_background
def compare(request: HttpRequest) -> HttpResponse:
    """Two types of part held against each other."""
    form = CompareForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/compare.html")
    if form.pair is None:
        return render(request, "reports/compare.html", {"form": form, "pairs": page_context.pairs_of_types()})
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
        "sides": page_context.side_lines(figure),
        "strata": page_context.strata_lines(figure),
        "excluded": page_context.excluded_links(both, curves.exclusions),
    }
    return render(request, "reports/compare.html", context)


@owners
@in_background
def aging(request: HttpRequest) -> HttpResponse:
    """How many failures a part has had by an age."""
    return _curves(request, name=RECURRENCE, template="reports/aging.html")


@owners
@in_background
def lasting(request: HttpRequest) -> HttpResponse:
    """How long a part lasts before it first fails."""
    return _curves(request, name=SURVIVAL, template="reports/lasting.html")


@owners
def findings(request: HttpRequest) -> HttpResponse:
    """The findings behind a number."""
    form = FindingsForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/findings.html")
    chosen, exclusion_reason = form.selection, form.chosen_exclusion_reason
    page = key_page(findings_behind(chosen, exclusion_reason), request.GET, order=("-found_on", "-id"))
    context = {
        "form": form,
        "page": page,
        "lines": page_context.findings_lines(chosen, page.rows),
        "counts": page_context.exclusion_reason_counts(chosen, exclusion_reason),
        "about": list(selection_words(chosen)),
        "exclusion_reason": EXCLUSION_REASON_WORDS[exclusion_reason] if exclusion_reason else "",
        "inspect": InspectForm(reason=page_context.inspection_reason(chosen), today=timezone.localdate()),
        "action": f"{reverse('reports:inspect_findings')}?{request.GET.urlencode()}",
    }
    return render(request, "reports/findings.html", context)


@owners
def log(request: HttpRequest) -> HttpResponse:
    """What failed, day by day, as the failure log keeps it."""
    form, today = LogForm(request.GET), timezone.localdate()
    if not form.is_valid():
        return bad_question(request, form, "reports/log.html")
    last = form.cleaned_data["until"] or today
    first = form.cleaned_data["from"] or last - timedelta(days=LOG_DAYS - 1)
    kind = form.cleaned_data["part"]
    days = FailureDay.objects.between(first, last).of_kind(kind).for_list()
    if "csv" in request.GET:
        return csv_response("failure-log.csv", tables.LOG_HEADER, tables.log_rows(days.order_by("on", "id")))
    context = {
        "form": form,
        "page": key_page(days, request.GET, order=("-on", "-id")),
        "totals": page_context.log_totals(first, last, kind),
        "mark": LogMark.objects.first(),
        "first": first,
        "last": last,
    }
    return render(request, "reports/log.html", context)


def _rates_context(form: RatesForm, figure: RatesFigure) -> dict[str, Any]:
    """Gather what the page of rates shows."""
    return {
        "form": form,
        "figure": figure,
        "sentence": rates_sentence(figure),
        "about": list(selection_words(figure.selection)),
        "pictures": rates_pictures(figure),
        "funnels": rates_funnels(figure),
        "lines": page_context.rate_lines(figure),
        "columns": 7 + figure.compared + figure.pooled,
        "grouped": GROUPINGS[figure.by],
        "excluded": page_context.excluded_links(figure.selection, figure.exclusions),
        "example": rates_example(figure),
        "again": cached_figure("again", figure.selection, compute=partial(page_context.sensitivity, figure)),
    }


def _curves(request: HttpRequest, *, name: str, template: str) -> HttpResponse:
    """Answer a page of curves over age."""
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
    """Gather what a page of curves shows."""
    return {
        "form": form,
        "figure": figure,
        "sentence": curves_sentence(figure),
        "about": list(selection_words(figure.selection)),
        "pictures": curve_pictures(figure),
        "lines": page_context.curve_lines(figure),
        "grouped": GROUPINGS[figure.by],
        "excluded": page_context.excluded_links(figure.selection, figure.exclusions),
    }


def bad_question(request: HttpRequest, form: Form, template: str) -> HttpResponse:
    """Show the form with what is wrong with it, and no figure."""
    return render(request, template, {"form": form}, status=BAD_QUESTION)


@owners
@in_background
def predictions(request: HttpRequest) -> HttpResponse:
    """How often the mode found on a call had been among the first three foretold."""
    right = cached_figure("foretold", compute=how_often_right)
    return render(request, "reports/predictions.html", {"right": right})
