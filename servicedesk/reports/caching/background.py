"""Background computation of the figures of a large fleet, by Celery or, without a broker, by the clock.

A request for such a page gets a waiting page (202) that polls until the figures are there. It waits for
figures begun after the request, not for those of the newest records: while records come in all the time,
these would never be there. The figures are computed by calling the view once more, for the same user.
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
"""Query parameter: the moment, in seconds since 1970, from which on figures are accepted."""
FILES = {"csv", "pdf"}
"""Query parameters by which a page returns its figures as a file."""
HOLDS_SECONDS = 3600
TAKEN_UP_AGAIN = timedelta(minutes=10)
"""A worker that is not done by then counts as dead; if it is alive, the same is computed twice."""

View = Callable[..., HttpResponse]
log = logging.getLogger(__name__)


class FigureError(RuntimeError):
    """Computation of figures failed; the text is its traceback."""


def in_background(view: View) -> View:
    """View decorator: respond with a waiting page (202) while figures of a large fleet are not cached."""

    @wraps(view)
    def answer(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        if is_computing() or not _is_large():
            return view(request, *args, **kwargs)
        since, polls = _since(request), "HX-Request" in request.headers
        request.GET = _without_since(request.GET)  # type: ignore[assignment]
        reading = Reading(since=since or None, computes=False)
        request.figures_reading = reading  # type: ignore[attr-defined]  # base.html shows their age
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
        if FILES & set(request.GET):  # a file must not replace the waiting page
            return render(request, "reports/file_is_there.html", {"again": again})
        return HttpResponse(headers={"HX-Redirect": again})

    return answer


def _is_large() -> bool:
    return Unit.objects.count() >= settings.FIGURES_APART_FROM


def _ask_for(request: HttpRequest, since: float) -> float:
    """Store a request for a page's figures, and return the moment from which on they are accepted.

    Raises
    ------
    FigureError
        Where they could not be computed; the next request tries again.
    """
    address, now = _address(request), timezone.now()
    if len(address) > LONGEST_ADDRESS:
        raise BadRequest("The address of this page is too long.")
    with transaction.atomic():
        row, new = FigureRequest.objects.get_or_create(
            address=address, defaults={"requested_by": user_of(request), "requested_at": now}
        )
        # Without a broker the clock computes them.
        if new and not current_app.conf.task_always_eager:
            enqueue_on_commit(COMPUTE)
    if row.problem:
        row.delete()
        raise FigureError(row.problem)
    return since or row.requested_at.timestamp()


def compute_requested_figures(*, at: datetime) -> int:
    """Compute the figures of all waiting requests, and return how many succeeded.

    Of two workers, one takes a request. An error is stored for the waiting page.
    """
    computed = 0
    for wanted in FigureRequest.objects.waiting(taken_up_before=at - TAKEN_UP_AGAIN):
        if not FigureRequest.objects.take_up(wanted, at=timezone.now()):
            continue
        mine = FigureRequest.objects.filter(pk=wanted.pk)
        try:
            with reading_figures(Reading(since=wanted.requested_at.timestamp())):
                _answer(wanted)
        except Exception as error:  # the waiting page shows it; the other requests go on
            log.exception("figures could not be computed")
            mine.update(problem=trace(error))
        else:
            mine.delete()
            computed += 1
    return computed


def _answer(wanted: FigureRequest) -> None:
    """Call the view of a request in this process, so that all its figures are cached."""
    path, _, query = wanted.address.partition("?")
    page = resolve(path)
    request = HttpRequest()
    request.method, request.path, request.path_info, request.resolver_match = "GET", path, path, page
    request.GET, request.user = QueryDict(query), wanted.requested_by
    page.func(request, *page.args, **page.kwargs)


def _since(request: HttpRequest) -> float:
    """Parse the moment from which on figures are accepted; 0 where it is missing, invalid or too old."""
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
