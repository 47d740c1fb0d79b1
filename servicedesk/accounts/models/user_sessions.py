"""Model of sessions that know their user, so that they can be listed and ended."""

from __future__ import annotations

from importlib import import_module
from uuid import UUID

from django.conf import settings
from django.contrib.sessions.backends.base import SessionBase
from django.contrib.sessions.base_session import AbstractBaseSession
from django.db import models

from servicedesk.accounts.querysets import UserSessionManager


class UserSession(AbstractBaseSession):
    """A browser's session; after sign-in, with its user and when it was last used.

    The key is what the browser's cookie contains, so no page shows it: pages use ``mark``.
    """

    user = models.ForeignKey(
        settings.AUTH_USER_MODEL,
        on_delete=models.CASCADE,
        null=True,
        blank=True,
        related_name="user_sessions",
    )
    mark = models.UUIDField(null=True, blank=True, unique=True)
    device = models.CharField(max_length=20, blank=True)
    began_at = models.DateTimeField(null=True, blank=True)
    seen_at = models.DateTimeField(null=True, blank=True)

    objects = UserSessionManager()  # type: ignore[misc]  # with questions of ours

    class Meta(AbstractBaseSession.Meta):
        verbose_name = "device"
        verbose_name_plural = "devices"

    def __str__(self) -> str:
        return self.device or "browser"

    @classmethod
    def get_session_store_class(cls) -> type[SessionBase]:
        """Session store class of the settings' session engine."""
        store: type[SessionBase] = import_module(settings.SESSION_ENGINE).SessionStore
        return store


def device_of(user_agent: str) -> str:
    """Kind of device from the User-Agent header (RFC 9110, 10.1.5), in a word."""
    agent = user_agent.lower()
    if "ipad" in agent or "tablet" in agent:
        return "tablet"
    if "mobi" in agent:  # the token that browsers on phones carry
        return "phone"
    return "computer" if agent else "program"


def mark_of(session: SessionBase) -> UUID | None:
    """Public identifier of a session, by which pages name it; None before sign-in."""
    return UUID(session["mark"]) if "mark" in session else None
