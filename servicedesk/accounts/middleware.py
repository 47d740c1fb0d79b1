"""Middleware that ends a session which a browser ended while offline."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse

SIGNED_OUT = "signed_out"
"""Cookie by which a browser states that somebody signed out of it while offline."""


class SignedOutMiddleware:
    """End the session of a browser in which somebody signed out while offline, before anything is shown."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if SIGNED_OUT not in request.COOKIES:
            return self.get_response(request)
        logout(request)
        response = self.get_response(request)
        response.delete_cookie(SIGNED_OUT)
        return response
