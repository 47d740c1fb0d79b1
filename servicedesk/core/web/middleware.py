"""Middleware that records the source of a change."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from servicedesk.core.history import change_source
from servicedesk.core.models.changes import Source


class PageSourceMiddleware:
    """Record changes made during a request as coming from a page."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with change_source(Source.PAGE):
            return self.get_response(request)
