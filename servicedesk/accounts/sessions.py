"""Session engine that stores each session's user in the database.

What the list of sessions shows is stored in the session itself and copied to columns whenever the
session is saved, so that reading a page runs no more queries than before.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from typing import Any, cast
from uuid import UUID, uuid4

from django.contrib.auth import SESSION_KEY
from django.contrib.sessions.backends.base import UpdateError
from django.contrib.sessions.backends.db import SessionStore as DatabaseSessionStore
from django.contrib.sessions.middleware import SessionMiddleware as DjangoSessionMiddleware
from django.db import DatabaseError
from django.http import HttpRequest, HttpResponse
from django.utils import timezone

from servicedesk.accounts.models import UserSession
from servicedesk.core.rules.full_disk import is_full_disk

SEEN_EVERY = timedelta(minutes=10)
log = logging.getLogger(__name__)


class SessionStore(DatabaseSessionStore):
    """Django's session store, with the columns of `UserSession`."""

    @classmethod
    def get_model_class(cls) -> type[UserSession]:
        """Model whose table stores the sessions."""
        return UserSession

    def save(self, must_create: bool = False) -> None:
        """Save the session; from sign-in on, it has a public identifier and its times.

        A session under a new key gets a new identifier: the old row is still there for a moment.
        """
        if SESSION_KEY in self:
            now = timezone.now().isoformat()
            for name in ("began_at", "seen_at"):
                self.setdefault(name, now)
            if must_create or "mark" not in self:
                self["mark"] = str(uuid4())
        full: BaseException | None = None
        try:
            super().save(must_create)
        except UpdateError as error:  # Django takes every database error for a session that is gone
            full = error.__context__ if is_full_disk(error) else None
            if full is None:
                raise
        if full is not None:
            raise full

    def create_model_instance(self, data: dict[str, Any]) -> UserSession:
        """Build the row that stores a session."""
        row = cast(UserSession, super().create_model_instance(data))
        if SESSION_KEY in data and "mark" in data:
            row.user_id = int(data[SESSION_KEY])
            row.mark = UUID(data["mark"])
            row.device = data.get("device", "")
            row.began_at = datetime.fromisoformat(data["began_at"])
            row.seen_at = datetime.fromisoformat(data["seen_at"])
        return row


class SessionMiddleware(DjangoSessionMiddleware):
    """Django's middleware, which also records now and then that a session is used, and renews its cookie."""

    def process_response(self, request: HttpRequest, response: HttpResponse) -> HttpResponse:
        """Save a changed session; where only the time of use changed, a full disk is no failure.

        The request was handled by then, and must not be reported as failed.
        """
        session, now = request.session, timezone.now()
        seen = session.get("seen_at")
        only_a_note = not session.modified
        if seen and now - datetime.fromisoformat(seen) > SEEN_EVERY:
            session["seen_at"] = now.isoformat()
        try:
            return super().process_response(request, response)
        except (DatabaseError, OSError) as error:
            if not only_a_note or not is_full_disk(error):
                raise
            log.warning("the disk is full: it is not noted that a browser is still used")
            return response
