"""Ending a session that a browser ended without signal."""

from __future__ import annotations

from collections.abc import Callable

from django.contrib.auth import logout
from django.http import HttpRequest, HttpResponse

SIGNED_OUT = "signed_out"
"""The cookie by which a browser says that somebody signed out of it while there was no signal."""


class SignedOutMiddleware:
    """End the session of a browser in which somebody signed out without signal, before anything is shown."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        if SIGNED_OUT not in request.COOKIES:
            return self.get_response(request)
        logout(request)
        response = self.get_response(request)
        response.delete_cookie(SIGNED_OUT)
        return response
