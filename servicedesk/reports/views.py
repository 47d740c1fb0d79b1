"""The index of figures, and the answer to a question that can't be read."""

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
    """What the last twelve months took, and the questions the records can answer."""
    today = timezone.localdate()
    brief = fresh_figure("brief", today, compute=partial(year_in_brief, today))
    return render(request, "reports/figures.html", {"brief": brief})


def bad_question(request: HttpRequest, form: Form, template: str) -> HttpResponse:
    """Show the form with what is wrong with it, and no figure."""
    return render(request, template, {"form": form}, status=BAD_QUESTION)
