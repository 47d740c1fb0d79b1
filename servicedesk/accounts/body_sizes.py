"""Limits of request bodies, checked before any of the body is read.

The limit is that of the settings for forms. A view that takes files declares with `takes_up_to` how much more
it takes, and that only from those who may open it: nobody else fills the disk. A body that is too long,
compressed, or of unknown length is refused before the forms' own code, which would put files on the disk,
sees any of it.

References
----------
RFC 9110, HTTP Semantics: 15.5.14 (413 Content Too Large), 15.5.12 (411 Length Required) and 15.5.16
(415 Unsupported Media Type, for a content coding that is not taken).
"""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any, TypeVar

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.core.files.uploadedfile import UploadedFile
from django.core.files.uploadhandler import FileUploadHandler
from django.http import HttpRequest, HttpResponse, HttpResponseBase
from django.shortcuts import render

from servicedesk.accounts.models import Role, User

View = TypeVar("View", bound=Callable[..., HttpResponseBase])

FRAME = 1024 * 1024
"""Size of a form without its files, in bytes."""

LISTEN_ON = 64 * 1024 * 1024
"""A body up to this long is read and discarded, in bytes: many senders read an answer only afterward."""

BLOCK = 64 * 1024


def takes_up_to(
    most: Callable[[], int], *, of: Callable[..., bool] | None = None, answers_itself: bool = False
) -> Callable[[View], View]:
    """Decorator of a view that takes files of up to so many bytes together, computed at each request.

    ``of`` decides from a request and the view's arguments whether they are taken from this sender; without it
    they are taken from the role that the view is open to. A view that ``answers_itself`` refuses a file by
    its size: of a form that is too long it gets all that was typed, and files that are empty but state how
    large they were.
    """

    def mark(view: View) -> View:
        view.takes_up_to, view.takes_of = most, of  # type: ignore[attr-defined]  # read by the middleware
        view.answers_itself = answers_itself  # type: ignore[attr-defined]  # the same
        return view

    return mark


class BodySizeMiddleware:
    """Refuse a body that is longer than its view takes, before anything reads it."""

    def __init__(self, get_response: Callable[[HttpRequest], HttpResponse]) -> None:
        self.get_response = get_response

    def __call__(self, request: HttpRequest) -> HttpResponse:
        return self.get_response(request)

    def process_view(
        self, request: HttpRequest, view: Callable[..., Any], args: Any, kwargs: Any
    ) -> HttpResponse | None:
        """Respond in place of the view where the body can't be taken."""
        if request.META.get("HTTP_CONTENT_ENCODING", "identity").strip().lower() != "identity":
            return _say(415, "Send it unpacked: a packed body is not taken here.")
        if request.META.get("HTTP_TRANSFER_ENCODING"):
            return _say(411, "Say with Content-Length how long the body is, and send it again.")
        size, most = _length(request), _most(request, view, kwargs)
        if size <= most:
            return None
        if size <= LISTEN_ON:
            if getattr(view, "answers_itself", False) and _is_taken_from(request, view, kwargs):
                request.upload_handlers = [EmptyFiles(request, size)]
                return None
            _throw_away(request, size)
        return _too_large(request, size, most)


class EmptyFiles(FileUploadHandler):
    """Upload handler that discards the files of a body that is too long, and reports the body's size."""

    def __init__(self, request: HttpRequest, size: int) -> None:
        super().__init__(request)
        self.size = size

    def receive_data_chunk(self, raw_data: bytes, start: int) -> None:
        """Discard a chunk of the upload."""

    def file_complete(self, file_size: int) -> UploadedFile:
        """Return a file without content that is as large as the body it came in."""
        return UploadedFile(BytesIO(), self.file_name, self.content_type, self.size)


def _length(request: HttpRequest) -> int:
    try:
        return int(request.META.get("CONTENT_LENGTH") or 0)
    except ValueError:
        return 0


def _most(request: HttpRequest, view: Callable[..., Any], kwargs: Any) -> int:
    """Most bytes taken from this sender at this address."""
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
    """Read a body and discard it."""
    try:
        while size > 0 and (block := request.read(min(size, BLOCK))):
            size -= len(block)
    except OSError:  # the sender is gone
        return


@login_not_required
def too_large(request: HttpRequest) -> HttpResponse:
    """Error page for the web server in front, which refused a body itself."""
    return _page(request, "It is more than this site takes at once. Send less, or a smaller photo or file.")


def _too_large(request: HttpRequest, size: int, most: int) -> HttpResponse:
    """Response 413: a page, or plain text for a phone's script."""
    words = (
        f"That is {size // 1024**2:,} MB, and {most // 1024**2:,} MB are the most that is taken here. "
        "Send less at once, or smaller files."
    )
    if request.resolver_match is not None and request.resolver_match.app_name == "field":
        return _say(413, words)
    return _page(request, words)


def _page(request: HttpRequest, words: str) -> HttpResponse:
    answer = render(request, "413.html", {"words": words}, status=413)
    answer["Cache-Control"] = "no-store"
    return answer


def _say(status: int, words: str) -> HttpResponse:
    answer = HttpResponse(f"{words}\n", status=status, content_type="text/plain; charset=utf-8")
    answer["Cache-Control"] = "no-store"
    return answer
