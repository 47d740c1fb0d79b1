"""Pages of the annual report."""

from __future__ import annotations

from functools import partial

from django.conf import settings
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from servicedesk.accounts.rights import owners
from servicedesk.core.values.dates import long_date
from servicedesk.core.web.exports import csv_response
from servicedesk.reports import tables
from servicedesk.reports.annual_report.document import year_report
from servicedesk.reports.annual_report.forms import YearForm
from servicedesk.reports.annual_report.pdf import set_on_paper
from servicedesk.reports.caching.background import in_background
from servicedesk.reports.caching.figures import fresh_figure
from servicedesk.reports.caching.mixing import mark_paper
from servicedesk.reports.views import bad_question


@owners
@in_background
def year(request: HttpRequest) -> HttpResponse:
    """Annual report as a page, a CSV file or a PDF."""
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
