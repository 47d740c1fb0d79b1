"""Pages on which the owner plans: what the next twelve months will take, and how often care is worth its
while."""

from __future__ import annotations

from functools import partial
from typing import Any

from django.conf import settings
from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.views.decorators.http import require_POST

from schedules.models import MaintenanceRule
from schedules.operations import change_maintenance_rule
from servicedesk.accounts.rights import owners, user_of
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.dates import long_date
from servicedesk.core.web.exports import csv_response
from servicedesk.reports import page_context, tables
from servicedesk.reports.annual_report.document import year_report
from servicedesk.reports.annual_report.pdf import set_on_paper
from servicedesk.reports.background import in_background
from servicedesk.reports.cached_figures import cached_figure, fresh_figure
from servicedesk.reports.chart_context import forecast_pictures, maintenance_picture
from servicedesk.reports.forecast.figure import forecast_figure
from servicedesk.reports.maintenance.figure import (
    MaintenanceFigure,
    limits_words,
    maintenance_figure,
    maintenance_sentence,
)
from servicedesk.reports.mixing import mark_paper
from servicedesk.reports.plan_forms import ForecastForm, IntervalForm, MaintenanceForm, YearForm
from servicedesk.reports.sentences import forecast_sentence, selection_words
from servicedesk.reports.views import bad_question


@owners
@in_background
def forecast(request: HttpRequest) -> HttpResponse:
    """What the next twelve months will take."""
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
        "lines": page_context.forecast_lines(figure),
        "excluded": page_context.excluded_links(figure.selection, figure.exclusions),
    }
    return render(request, "reports/forecast.html", context)


@owners
@in_background
def maintenance(request: HttpRequest) -> HttpResponse:
    """How often care is worth its while."""
    form = MaintenanceForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/maintenance.html")
    if form.chosen is None:
        return render(
            request, "reports/maintenance.html", {"form": form, "rules": page_context.rules_to_ask_about()}
        )
    compute = partial(maintenance_figure, form.selection, form.chosen, **form.costs)
    figure = fresh_figure("care", form.selection, form.chosen.pk, form.costs, compute=compute)
    if "csv" in request.GET:
        return csv_response(
            "care-interval.csv", tables.maintenance_header(figure), tables.maintenance_rows(figure)
        )
    return render(request, "reports/maintenance.html", _maintenance_context(form, figure))


@owners
@require_POST
def change_interval(request: HttpRequest, pk: int) -> HttpResponse:
    """Change how often a care rule asks for its care; who and why stays in its history."""
    rule = get_object_or_404(MaintenanceRule, pk=pk)
    form = IntervalForm(request.POST)
    changed = apply_or_report(form, lambda: _with_interval(rule, form, request))
    if changed is None:
        messages.error(request, " ".join(str(text) for texts in form.errors.values() for text in texts))
        return redirect(f"{reverse('reports:maintenance')}?rule={rule.pk}")
    messages.success(request, "Stored. Due dates under this rule were reckoned anew.")
    return redirect("schedules:change_maintenance_rule", pk=rule.pk)


@owners
@in_background
def year(request: HttpRequest) -> HttpResponse:
    """All figures of a period in one document."""
    form, today = YearForm(request.GET), timezone.localdate()
    if not form.is_valid():
        return bad_question(request, form, "reports/year.html")
    chosen = form.selection(today)
    paper = fresh_figure("year", chosen, compute=partial(year_report, chosen))
    if "csv" in request.GET:
        return csv_response("report-of-the-year.csv", tables.PAPER_HEADER, tables.paper_rows(paper))
    if "pdf" in request.GET:
        marked = mark_paper(paper, getattr(request, "figures_mix", ""))
        content = set_on_paper(marked, company=settings.COMPANY_NAME, printed=long_date(today))
        return HttpResponse(
            content,
            content_type="application/pdf",
            headers={"Content-Disposition": 'attachment; filename="report-of-the-year.pdf"'},
        )
    return render(request, "reports/year.html", {"form": form, "paper": paper})


def _maintenance_context(form: MaintenanceForm, figure: MaintenanceFigure) -> dict[str, Any]:
    """Gather what the page of care intervals shows."""
    return {
        "form": form,
        "figure": figure,
        "sentence": maintenance_sentence(figure),
        "about": list(selection_words(figure.selection)),
        "picture": maintenance_picture(figure),
        "lines": page_context.band_lines(figure),
        "noted": page_context.maintenance_notes(figure),
        "limits": limits_words(figure),
        "interval": IntervalForm(initial=page_context.new_interval(figure)),
    }


def _with_interval(rule: MaintenanceRule, form: IntervalForm, request: HttpRequest) -> MaintenanceRule:
    rule.interval_months = form.cleaned_data["months"]
    return change_maintenance_rule(rule, why=form.cleaned_data["why"], by=user_of(request), at=timezone.now())
