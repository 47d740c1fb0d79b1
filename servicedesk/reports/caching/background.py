"""Figures of a large fleet, computed by a Celery worker, or by the clock where there is no broker.

Who asks for such a page is told that its figures are being computed, and led to them by a page that asks
again by itself. It waits for figures begun after it asked: while records come in all the time, one of the
newest would never be there. What a page needs is computed by answering it once more, for the same person.
"""

from __future__ import annotations

import logging
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import wraps
from typing import Any

from celery import current_app
from django.conf import settings
from django.core.exceptions import BadRequest
from django.db import transaction
from django.http import HttpRequest, HttpResponse, QueryDict
from django.shortcuts import render
from django.urls import resolve
from django.utils import timezone

from servicedesk.accounts.rights import user_of
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.logs.formatting import trace
from servicedesk.reports.caching.figures import FigurePendingError, Reading, is_computing, reading_figures
from servicedesk.reports.models import LONGEST_ADDRESS, FigureRequest
from units.models import Unit

COMPUTE = "reports.compute_figures"
SINCE = "since"
"""The part of an address that says for figures of which moment, in seconds since 1970, somebody waits."""
FILES = {"csv", "pdf"}
"""Parts of an address by which a page gives its figures as a file."""
HOLDS_SECONDS = 3600
TAKEN_UP_AGAIN = timedelta(minutes=10)
"""A worker that is not done by then has died; where it has not, the same is computed twice."""

View = Callable[..., HttpResponse]
log = logging.getLogger(__name__)


class FigureError(RuntimeError):
    """The figures could not be computed; the text gives the way through the code to where it went wrong."""


def in_background(view: View) -> View:
    """Answer with a page that waits (202) where figures of a large fleet are not in the cache."""

    @wraps(view)
    def answer(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if is_computing() or not _is_large():
            return view(request, *args, **kwargs)
        since, polls = _since(request), "HX-Request" in request.headers
        request.GET = _without_since(request.GET)  # type: ignore[assignment]
        reading = Reading(since=since or None, computes=False)
        request.figures_reading = reading  # type: ignore[attr-defined]  # base.html tells of older ones
        try:
            with reading_figures(reading):
                response = view(request, *args, **kwargs)
        except FigurePendingError:
            again = _address(request, _ask_for(request, since))
            if polls:
                return HttpResponse(status=204)
            return render(request, "reports/being_worked_out.html", {"again": again}, status=202)
        if not polls:
            return response
        again = _address(request, since)
        if FILES & set(request.GET):  # a page is not left for a file
            return render(request, "reports/file_is_there.html", {"again": again})
        return HttpResponse(headers={"HX-Redirect": again})

    return answer


def _is_large() -> bool:
    return Unit.objects.count() >= settings.FIGURES_APART_FROM


def _ask_for(request: HttpRequest, since: float) -> float:
    """Store that a page's figures are wanted; answer of which moment on they are to be.

    Raises
    ------
    FigureError
        Where they could not be computed; whoever asks once more has it tried again.
    """
    address, now = _address(request), timezone.now()
    if len(address) > LONGEST_ADDRESS:
        raise BadRequest("The address of this page is too long.")
    with transaction.atomic():
        row, new = FigureRequest.objects.get_or_create(
            address=address, defaults={"requested_by": user_of(request), "requested_at": now}
        )
        # Without a broker the clock takes it up, so that no page waits.
        if new and not current_app.conf.task_always_eager:
            enqueue_on_commit(COMPUTE)
    if row.problem:
        row.delete()
        raise FigureError(row.problem)
    return since or row.requested_at.timestamp()


def compute_requested_figures(*, at: datetime) -> int:
    """Compute what pages wait for; answer how many.

    Of two workers who want the same one gets it. What went wrong is kept for the page that waits.
    """
    computed = 0
    for wanted in FigureRequest.objects.waiting(taken_up_before=at - TAKEN_UP_AGAIN):
        if not FigureRequest.objects.take_up(wanted, at=timezone.now()):
            continue
        mine = FigureRequest.objects.filter(pk=wanted.pk)
        try:
            with reading_figures(Reading(since=wanted.requested_at.timestamp())):
                _answer(wanted)
        except Exception as error:  # the page tells who asked, and the others are computed
            log.exception("figures could not be computed")
            mine.update(problem=trace(error))
        else:
            mine.delete()
            computed += 1
    return computed


def _answer(wanted: FigureRequest) -> None:
    """Answer the page once more, in this process, so that all its figures get into the cache."""
    path, _, query = wanted.address.partition("?")
    page = resolve(path)
    request = HttpRequest()
    request.method, request.path, request.path_info, request.resolver_match = "GET", path, path, page
    request.GET, request.user = QueryDict(query), wanted.requested_by
    page.func(request, *page.args, **page.kwargs)


def _since(request: HttpRequest) -> float:
    """Read for figures of which moment somebody waits; 0 for none, or where it is no moment."""
    try:
        since = float(request.GET.get(SINCE, ""))
    except ValueError:
        return 0.0
    return since if time.time() - HOLDS_SECONDS < since <= time.time() else 0.0


def _address(request: HttpRequest, since: float = 0.0) -> str:
    query = _without_since(request.GET)
    if since:
        query[SINCE] = f"{since:.6f}"
    return f"{request.path}?{query.urlencode()}" if query else request.path


def _without_since(query: QueryDict) -> QueryDict:
    rest = query.copy()
    rest.pop(SINCE, None)
    return rest
