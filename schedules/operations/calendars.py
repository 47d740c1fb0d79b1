"""Operations on secret calendar links: make, replace, revoke. The secret is shown once and never stored."""

from __future__ import annotations

import hashlib
import secrets
from datetime import datetime, timedelta

from django.db.models import Q

from schedules.models import CalendarLink
from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation

SECRET_BYTES = 32
"""256 random bits; an address with them can't be guessed."""

A_MOMENT = timedelta(seconds=30)
READ_NOTED_EVERY = timedelta(hours=1)


def hash_of(secret: str) -> str:
    """SHA-256 of a secret, which is stored instead. It is random and long, so it can't be recovered."""
    return hashlib.sha256(secret.encode()).hexdigest()


def make_link(person: User | None, *, by: User, at: datetime) -> tuple[CalendarLink, str]:
    """Make the calendar link of a person, or of the whole team; return it with its secret, this once.

    A second request within half a minute replaces the link of the first, whose secret nobody saw.
    """
    secret = secrets.token_urlsafe(SECRET_BYTES)
    with atomic_operation():
        User.objects.select_for_update(no_key=True).get(pk=by.pk)
        unseen = CalendarLink.objects.in_force().filter(
            person=person, made_by=by, made_at__gt=at - A_MOMENT, last_read_at=None
        )
        for link in unseen:
            revoke_link(link, by=by, at=at)
        link = CalendarLink(person=person, secret_hash=hash_of(secret), made_at=at, made_by=by)
        link.full_clean()
        link.save()
        write_change(
            link, action=f"calendar link made for {person.name if person else 'the team'}", by=by, at=at
        )
    return link, secret


def replace_link(link: CalendarLink, *, by: User, at: datetime) -> tuple[CalendarLink, str]:
    """Replace a link by a new one: calendars that read the old one get nothing from now on."""
    with atomic_operation():
        revoke_link(link, by=by, at=at)
        return make_link(link.person, by=by, at=at)


def revoke_link(link: CalendarLink, *, by: User, at: datetime) -> None:
    """Revoke a link; calendars that read it get nothing from now on."""
    with atomic_operation():
        locked = CalendarLink.objects.select_for_update(no_key=True).get(pk=link.pk)
        if locked.revoked_at is not None:
            raise RuleViolation("This link is already revoked.")
        locked.revoked_at = at
        locked.save(update_fields=["revoked_at"])
        write_change(locked, action="calendar link revoked", by=by, at=at)


def note_read(link: CalendarLink, *, at: datetime) -> None:
    """Record that a calendar read a link, at most once an hour, so that most reads write nothing."""
    if link.last_read_at is not None and link.last_read_at >= at - READ_NOTED_EVERY:
        return
    CalendarLink.objects.filter(
        Q(last_read_at__isnull=True) | Q(last_read_at__lt=at - READ_NOTED_EVERY), pk=link.pk
    ).update(last_read_at=at)
