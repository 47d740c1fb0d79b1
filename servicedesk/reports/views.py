"""Index page of the figures, and the response to an invalid form."""

from __future__ import annotations

from functools import partial

from django.forms import Form
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from servicedesk.accounts.rights import owners
from servicedesk.reports.caching.background import in_background
from servicedesk.reports.caching.figures import fresh_figure
from servicedesk.reports.summary import year_in_brief

BAD_QUESTION = 422


@owners
@in_background
def figures(request: HttpRequest) -> HttpResponse:
    """Index of the figures, with a summary of the last twelve months."""
    today = timezone.localdate()
    brief = fresh_figure("brief", today, compute=partial(year_in_brief, today))
    return render(request, "reports/figures.html", {"brief": brief})


def bad_question(request: HttpRequest, form: Form, template: str) -> HttpResponse:
    """Response (422) with the form and its errors, and no figure."""
    return render(request, template, {"form": form}, status=BAD_QUESTION)
