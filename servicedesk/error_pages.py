"""Error pages: a form without a valid CSRF token, and an internal error.

A user without a sign-in is a customer, or somebody who stands before a window: their pages name the company
and its telephone, and lead back to where they were, never to the office's pages.
"""

from __future__ import annotations

import sys

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseServerError, JsonResponse
from django.middleware.csrf import REASON_NO_CSRF_COOKIE
from django.shortcuts import render
from django.template.loader import render_to_string
from django.views.decorators.csrf import requires_csrf_token

from servicedesk.core.rules.full_disk import WORDS, is_full_disk
from servicedesk.core.web.sent_again import context_of, is_secret

INSUFFICIENT_STORAGE = 507  # RFC 4918, section 11.5


def form_refused(request: HttpRequest, reason: str = "") -> HttpResponse:
    """Response 403 to a form without a valid CSRF token, which keeps what was typed.

    A page of another site may have made the browser send it. So it can be sent again from here only where the
    browser itself states that it came from one of our pages; otherwise its entries are only shown.
    """
    ours = _is_from_our_page(request)
    secret = any(is_secret(name) for name in request.POST)
    context = {
        **context_of(request),
        "ours": ours,
        "no_cookie": reason == REASON_NO_CSRF_COOKIE,
        "hidden": reason.startswith(("Origin", "Referer")),
        "may_send": ours and not secret,
        "host": request.get_host(),
    }
    return render(request, "403_csrf.html", context, status=403)


def _is_from_our_page(request: HttpRequest) -> bool:
    """Whether the browser states that a request is from our pages (Fetch Metadata, else Origin, RFC 6454)."""
    site = request.headers.get("Sec-Fetch-Site")
    if site is not None:
        return site == "same-origin"
    return request.headers.get("Origin") == f"{request.scheme}://{request.get_host()}"


@requires_csrf_token
def something_broke(request: HttpRequest) -> HttpResponse:
    """Response to an uncaught error: a full disk by its name, anything else as simply as can be."""
    error = sys.exc_info()[1]
    if error is None or not is_full_disk(error):
        return _broken(request)
    match = request.resolver_match
    if match is not None and match.app_name == "field" and request.method == "POST":
        return JsonResponse({"state": "disk full", "words": WORDS}, status=INSUFFICIENT_STORAGE)
    context = {**context_of(request), "words": WORDS, **_around(request)}
    return render(request, "507.html", context, status=INSUFFICIENT_STORAGE)


def _broken(request: HttpRequest) -> HttpResponse:
    return HttpResponseServerError(render_to_string("500.html", _around(request)))


def _around(request: HttpRequest) -> dict[str, object]:
    """Company's name and whether a member of staff asks, without the database: it may be what failed."""
    return {
        "company": settings.COMPANY_NAME,
        "company_phone": settings.COMPANY_PHONE,
        "at_desk": settings.SESSION_COOKIE_NAME in request.COOKIES,
        "again": request.get_full_path() if request.method == "GET" else "",
    }
