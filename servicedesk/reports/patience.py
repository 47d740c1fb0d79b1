"""Pages whose figures may take minutes: who asks is told that they are being worked out, and led to them.

The page that says so asks again every few seconds by itself, about the same version of the records: while
records come in all the time, a figure of the newest would never be done.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from datetime import UTC, datetime
from functools import wraps
from typing import Any

from django.conf import settings
from django.core import signing
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render
from django.utils import timezone

from servicedesk.people.models import Touch
from servicedesk.reports.helper import NotYetError
from servicedesk.reports.kept import Asking, for_one_asking

ASKED = "asked"
"""The part of an address that tells which asking it is about, signed."""
HOLDS_SECONDS = 3600
FILES = {"csv", "pdf"}
"""Parts of an address by which a page gives its figures as a file."""

View = Callable[..., HttpResponse]


def patient(view: View) -> View:
    """Answer with a page that waits (202) where a view’s figures take longer than one waits for a page."""

    @wraps(view)
    def answer(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponse:
        polls = "HX-Request" in request.headers and ASKED in request.GET
        # A page that asks again by itself leaves the server's thread to others meanwhile.
        patience = 0.0 if polls else settings.FIGURES_WAIT_SECONDS
        asked = _earlier(request, patience)
        asking = asked or Asking(Touch.objects.version(), time.time(), patience)
        again = _address(request, asking)
        request.GET = _without_asking(request)
        is_file = bool(FILES & set(request.GET))
        shows_when = asked is not None and not polls and not is_file
        if asked and shows_when:
            at = timezone.localtime(datetime.fromtimestamp(asking.at, UTC))
            request.figures_as_of = at  # type: ignore[attr-defined]  # base.html says so
        with for_one_asking(asking):
            try:
                found = view(request, *args, **kwargs)
            except NotYetError:
                if polls:
                    return HttpResponse(status=204)
                request.figures_as_of = None  # type: ignore[attr-defined]
                return render(request, "reports/being_worked_out.html", {"again": again}, status=202)
        if polls and is_file:  # a page is not left for a file
            return render(request, "reports/file_is_there.html", {"again": again})
        if polls:
            return HttpResponse(headers={"HX-Redirect": again})
        return found

    return answer


def _earlier(request: HttpRequest, patience: float) -> Asking | None:
    """Read which asking an address is about; None where it is a new one, or too old."""
    told = request.GET.get(ASKED)
    if not told:
        return None
    try:
        version, at = signing.loads(told, salt=ASKED, max_age=HOLDS_SECONDS)
    except signing.BadSignature:
        return None
    return Asking(version, at, patience)


def _address(request: HttpRequest, asking: Asking) -> str:
    query = request.GET.copy()
    query[ASKED] = signing.dumps([asking.version, asking.at], salt=ASKED)
    return f"{request.path}?{query.urlencode()}"


def _without_asking(request: HttpRequest) -> Any:
    query = request.GET.copy()
    query.pop(ASKED, None)
    return query
