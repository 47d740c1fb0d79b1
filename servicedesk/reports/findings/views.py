"""Pages of findings and the failure log."""

from __future__ import annotations

from datetime import timedelta

from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.urls import reverse
from django.utils import timezone

from servicedesk.accounts.rights import owners
from servicedesk.core.web.exports import csv_response
from servicedesk.core.web.paging import key_page
from servicedesk.reports import tables
from servicedesk.reports.findings.context import exclusion_reason_counts, findings_lines, log_totals
from servicedesk.reports.forms import FindingsForm, LogForm
from servicedesk.reports.models import FailureDay, LogMark
from servicedesk.reports.queries.exclusion_reasons import EXCLUSION_REASON_WORDS
from servicedesk.reports.queries.listing import findings_behind
from servicedesk.reports.sentences import (
    selection_words,
)
from servicedesk.reports.surveillance.context import inspection_reason
from servicedesk.reports.surveillance.forms import InspectForm
from servicedesk.reports.views import bad_question

LOG_DAYS = 90


@owners
def findings(request: HttpRequest) -> HttpResponse:
    """List of the findings behind a number."""
    form = FindingsForm(request.GET, today=timezone.localdate())
    if not form.is_valid() or form.selection is None:
        return bad_question(request, form, "reports/findings.html")
    chosen, exclusion_reason = form.selection, form.chosen_exclusion_reason
    page = key_page(findings_behind(chosen, exclusion_reason), request.GET, order=("-found_on", "-id"))
    context = {
        "form": form,
        "page": page,
        "lines": findings_lines(chosen, page.rows),
        "counts": exclusion_reason_counts(chosen, exclusion_reason),
        "about": list(selection_words(chosen)),
        "exclusion_reason": EXCLUSION_REASON_WORDS[exclusion_reason] if exclusion_reason else "",
        "inspect": InspectForm(reason=inspection_reason(chosen), today=timezone.localdate()),
        "action": f"{reverse('reports:inspect_findings')}?{request.GET.urlencode()}",
    }
    return render(request, "reports/findings.html", context)


@owners
def log(request: HttpRequest) -> HttpResponse:
    """Failure log by day, as a page or a CSV file."""
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
        "totals": log_totals(first, last, kind),
        "mark": LogMark.objects.first(),
        "first": first,
        "last": last,
    }
    return render(request, "reports/log.html", context)
