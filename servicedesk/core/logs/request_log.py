"""Middleware that gives each request an id and logs one line about it, without addresses, names or bodies."""

from __future__ import annotations

import logging
import re
from collections.abc import Callable
from time import perf_counter
from uuid import uuid4

from django.conf import settings
from django.http import HttpRequest, HttpResponse

from servicedesk.core.logs.formatting import request_id, route_of

log = logging.getLogger("servicedesk.requests")
HEADER = "X-Request-ID"
NUMBER = re.compile(r"[0-9a-f-]{16,64}")


class RequestLogMiddleware:
    """Set a request's id, so that its log lines can be found together, and log how it was answered."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        number = number_of(request)
        token, began = request_id.set(number), perf_counter()
        try:
            answer = self.get_response(request)
            answer[HEADER] = number
            facts = {
                "method": request.method,
                "route": route_of(request),
                "status": answer.status_code,
                "ms": round((perf_counter() - began) * 1000),
                "role": role_of(request),
            }
            log.info("%(method)s %(route)s %(status)s %(ms)s ms %(role)s", facts, extra={"facts": facts})
            return answer
        finally:
            request_id.reset(token)


def number_of(request: HttpRequest) -> str:
    """Request id that our proxy set, or a new one."""
    given = request.headers.get(HEADER, "")
    return given if settings.PROXIES and NUMBER.fullmatch(given) else uuid4().hex


def role_of(request: HttpRequest) -> str:
    """Role of the signed-in user, where the page read it already; runs no query."""
    user = getattr(request, "_cached_user", None)
    role = getattr(user, "__dict__", {}).get("role")
    return str(role.value) if role else "nobody"
