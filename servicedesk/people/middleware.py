"""What happens around every page."""

from __future__ import annotations

from collections.abc import Callable

from django.http import HttpRequest, HttpResponse

from servicedesk.people.history import through
from servicedesk.people.models.changes import Door


class PageDoorMiddleware:
    """Mark changes made while a page is answered as having come through a page."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        with through(Door.PAGE):
            return self.get_response(request)
