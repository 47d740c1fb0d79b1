"""What somebody sent with a form that could not be taken: shown, and ready to be sent once more."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

from django.http import HttpRequest
from django.middleware.csrf import get_token

NOT_REPEATED = ("csrfmiddlewaretoken",)
NOT_SHOWN = ("idempotency_key", "what")
"""What a page fills in by itself: sent again, but no words of the person."""


def is_secret(name: str) -> bool:
    """Whether an entry is one that no page may repeat."""
    return "password" in name or name == "code"


def entries_of(request: HttpRequest) -> list[tuple[str, str]]:
    """Give what was typed, in the order it came; never a password."""
    return list(_entries(request)) if request.method == "POST" else []


def context_of(request: HttpRequest) -> dict[str, Any]:
    """Give the template `components/sent_again.html` what it takes."""
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
