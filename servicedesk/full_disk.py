"""What a page answers when something broke: where the disk is full, that, with what was typed kept.

Nothing of the request was stored then, since every operation is one step. The person needs to hear so, and
must not lose a long call written down while somebody was on the phone: the answer repeats the entries and
carries them, hidden, in a form that sends the same once more, with the same receipt.
"""

from __future__ import annotations

import errno
import sqlite3
import sys
from collections.abc import Iterator

from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import render
from django.views.decorators.csrf import requires_csrf_token
from django.views.defaults import server_error

INSUFFICIENT_STORAGE = 507  # RFC 4918, section 11.5
NO_ROOM = {errno.ENOSPC, errno.EDQUOT}
POSTGRES_DISK_FULL = "53100"  # PostgreSQL manual, appendix A: disk_full
WORDS = (
    "The disk of this desk is full, so nothing of this was stored. Whoever runs the desk has to make room "
    "on it; then the same can be sent again."
)
NOT_REPEATED = ("csrfmiddlewaretoken",)
HIDDEN = ("receipt",)


@requires_csrf_token
def something_broke(request: HttpRequest) -> HttpResponse:
    """Answer for an error nobody caught: a full disk by its name, anything else as Django does."""
    error = sys.exc_info()[1]
    if error is None or not is_full_disk(error):
        return server_error(request)
    match = request.resolver_match
    if match is not None and match.app_name == "field" and request.method == "POST":
        return JsonResponse({"state": "disk full", "words": WORDS}, status=INSUFFICIENT_STORAGE)
    sent = list(_entries(request))
    context = {
        "words": WORDS,
        "sent": sent,
        "shown": [(name.replace("_", " "), value) for name, value in sent if name not in HIDDEN and value],
        "had_files": bool(request.method == "POST" and request.FILES),
        "token": get_token(request),
    }
    return render(request, "507.html", context, status=INSUFFICIENT_STORAGE)


def is_full_disk(error: BaseException) -> bool:
    """Tell whether an error, or one that it came from, says that there is no room on the disk."""
    seen: set[int] = set()
    cause: BaseException | None = error
    while cause is not None and id(cause) not in seen:
        seen.add(id(cause))
        if _says_full(cause):
            return True
        cause = cause.__cause__ or cause.__context__
    return False


def _says_full(error: BaseException) -> bool:
    if isinstance(error, sqlite3.Error):
        # Without room for its shared memory or journal SQLite speaks of input and output instead.
        return getattr(error, "sqlite_errorcode", None) == sqlite3.SQLITE_FULL or (
            getattr(error, "sqlite_errorname", "") in {"SQLITE_IOERR_WRITE", "SQLITE_IOERR_SHMSIZE"}
        )
    if getattr(error, "sqlstate", None) == POSTGRES_DISK_FULL:
        return True
    return isinstance(error, OSError) and error.errno in NO_ROOM


def _entries(request: HttpRequest) -> Iterator[tuple[str, str]]:
    """Give what was typed, in the order it came; never a password."""
    if request.method != "POST":
        return
    for name, values in request.POST.lists():
        if name in NOT_REPEATED or "password" in name:
            continue
        for value in values:
            yield name, str(value)
