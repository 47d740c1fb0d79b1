"""How much may be sent to an address: looked at before any of it is read.

The limit is that of the settings for forms. A view that takes files says with `takes_up_to` how much more it
takes, and that only from those who may open it: nobody else fills the disk. What is too long, packed, or of
unknown length is refused before the forms' own code, which would put files on the disk, sees any of it.

References
----------
RFC 9110, HTTP Semantics: 15.5.14 (413 Content Too Large), 15.5.12 (411 Length Required) and 15.5.16
(415 Unsupported Media Type, for a content coding that is not taken).
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar

from django.conf import settings
from django.http import HttpRequest, HttpResponse, HttpResponseBase

from servicedesk.people.models import Role, User

View = TypeVar("View", bound=Callable[..., HttpResponseBase])

FRAME = 1024 * 1024
"""What a form weighs beside its files, in bytes."""

LISTEN_ON = 64 * 1024 * 1024
"""A body up to this long is read and thrown away, in bytes: many senders hear an answer only afterwards."""

BLOCK = 64 * 1024


def takes_up_to(most: Callable[[], int], *, of: Callable[..., bool] | None = None) -> Callable[[View], View]:
    """Let a view take files of so many bytes together, asked for at each request.

    ``of`` tells from a request and the view's arguments whether they are taken from this sender; without it
    they are taken from the role that the view is open to.
    """

    def mark(view: View) -> View:
        view.takes_up_to, view.takes_of = most, of  # type: ignore[attr-defined]  # read by the middleware
        return view

    return mark


class BodySizeMiddleware:
    """Refuse what is longer than its address takes before anybody reads it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., Any], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        """Answer in the place of the view where the body can't be taken."""
        if request.META.get("HTTP_CONTENT_ENCODING", "identity").strip().lower() != "identity":
            return _say(415, "Send it unpacked: a packed body is not taken here.")
        if request.META.get("HTTP_TRANSFER_ENCODING"):
            return _say(411, "Say with Content-Length how long the body is, and send it again.")
        size, most = _length(request), _most(request, view, kwargs)
        if size <= most:
            return None
        if size <= LISTEN_ON:
            _throw_away(request, size)
        return _say(
            413,
            f"That is {size // 1024**2:,} MB, and {most // 1024**2:,} MB are the most that is taken here. "
            "Go back, and send less at once or smaller files.",
        )


def _length(request: HttpRequest) -> int:
    try:
        return int(request.META.get("CONTENT_LENGTH") or 0)
    except ValueError:
        return 0


def _most(request: HttpRequest, view: Callable[..., Any], kwargs: Any) -> int:
    """Say how much is taken from this sender at this address."""
    more: Callable[[], int] | None = getattr(view, "takes_up_to", None)
    if more is None or not _is_taken_from(request, view, kwargs):
        return settings.DATA_UPLOAD_MAX_MEMORY_SIZE or 0
    return more() + FRAME


def _is_taken_from(request: HttpRequest, view: Callable[..., Any], kwargs: Any) -> bool:
    of: Callable[..., bool] | None = getattr(view, "takes_of", None)
    if of is not None:
        return of(request, **kwargs)
    needs: Role | None = getattr(view, "opens_to", None)
    return needs is not None and isinstance(request.user, User) and request.user.may_act_as(needs)


def _throw_away(request: HttpRequest, size: int) -> None:
    """Read a body without keeping it."""
    try:
        while size > 0 and (block := request.read(min(size, BLOCK))):
            size -= len(block)
    except OSError:  # the sender is gone
        return


def _say(status: int, words: str) -> HttpResponse:
    answer = HttpResponse(f"{words}\n", status=status, content_type="text/plain; charset=utf-8")
    answer["Cache-Control"] = "no-store"
    return answer
