"""Pages of maintenance rules."""

from __future__ import annotations

from functools import partial
from typing import Any

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
from servicedesk.core.web.exports import csv_response
from servicedesk.reports import tables
from servicedesk.reports.caching.background import in_background
from servicedesk.reports.caching.figures import fresh_figure
from servicedesk.reports.maintenance.chart import maintenance_picture
from servicedesk.reports.maintenance.context import (
    band_lines,
    maintenance_notes,
    new_interval,
    rules_to_ask_about,
)
from servicedesk.reports.maintenance.figure import (
    MaintenanceFigure,
    limits_words,
    maintenance_figure,
    maintenance_sentence,
)
from servicedesk.reports.maintenance.forms import IntervalForm, MaintenanceForm
from servicedesk.reports.sentences import selection_words
from servicedesk.reports.views import bad_question


@owners
@in_background
def maintenance(request: HttpRequest) -> HttpResponse:
    """Figure of a maintenance rule, as a page or a CSV file."""
    form = MaintenanceForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/maintenance.html")
    if form.chosen is None:
        return render(request, "reports/maintenance.html", {"form": form, "rules": rules_to_ask_about()})
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
    """Change the interval of a maintenance rule, with user and reason in its history."""
    rule = get_object_or_404(MaintenanceRule, pk=pk)
    form = IntervalForm(request.POST)
    changed = apply_or_report(form, lambda: _with_interval(rule, form, request))
    if changed is None:
        messages.error(request, " ".join(str(text) for texts in form.errors.values() for text in texts))
        return redirect(f"{reverse('reports:maintenance')}?rule={rule.pk}")
    messages.success(request, "Saved. Due dates under this rule were recalculated.")
    return redirect("schedules:change_maintenance_rule", pk=rule.pk)


def _maintenance_context(form: MaintenanceForm, figure: MaintenanceFigure) -> dict[str, Any]:
    """Template context of the page of maintenance intervals."""
    return {
        "form": form,
        "figure": figure,
        "sentence": maintenance_sentence(figure),
        "about": list(selection_words(figure.selection)),
        "picture": maintenance_picture(figure),
        "lines": band_lines(figure),
        "noted": maintenance_notes(figure),
        "limits": limits_words(figure),
        "interval": IntervalForm(initial=new_interval(figure)),
    }


def _with_interval(rule: MaintenanceRule, form: IntervalForm, request: HttpRequest) -> MaintenanceRule:
    rule.interval_months = form.cleaned_data["months"]
    return change_maintenance_rule(rule, why=form.cleaned_data["why"], by=user_of(request), at=timezone.now())
