"""Entries of a form that could not be stored: shown, and ready to be sent again."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.http import HttpRequest
from django.middleware.csrf import get_token

NOT_REPEATED = ("csrfmiddlewaretoken",)
NOT_SHOWN = ("idempotency_key", "what")
"""Hidden fields of a page: sent again, but not shown."""


def is_secret(name: str) -> bool:
    """Whether an entry is a secret that no page may repeat."""
    return "password" in name or name == "code"


def entries_of(request: HttpRequest) -> list[tuple[str, str]]:
    """Entries of a posted form in their order, without passwords."""
    return list(_entries(request)) if request.method == "POST" else []


def context_of(request: HttpRequest) -> dict[str, Any]:
    """Context of the template `components/sent_again.html`."""
    sent = entries_of(request)
    shown = [(name.replace("_", " "), value) for name, value in sent if name not in NOT_SHOWN and value]
    return {
        "sent": sent,
        "shown": shown,
        "had_files": bool(request.method == "POST" and request.FILES),
        "token": get_token(request),
    }


def _entries(request: HttpRequest) -> Iterator[tuple[str, str]]:
    for name, values in request.POST.lists():
        if name in NOT_REPEATED or is_secret(name):
            continue
        for value in values:
            yield name, str(value)
