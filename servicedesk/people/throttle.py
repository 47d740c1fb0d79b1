"""Slowing down who guesses passwords, without locking out who knows theirs.

A wrong password makes the next try wait: soon for the same account from the same address, later for any
account from that address, and latest, and only a little, for an account that is tried from many addresses. A
browser in which somebody signed in before carries a signed mark and does not wait for what strangers do to
the account.
"""

from __future__ import annotations

import hashlib
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.core import signing
from django.db.models import F
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from servicedesk.people.models import FailedSignIn

About = FailedSignIn.About
FORGOTTEN_AFTER = timedelta(hours=24)
MARK, MARK_SALT, MARK_DAYS = "known_here", "people.known-here", 180


@dataclass(frozen=True)
class Rule:
    """So many failures are free; each more doubles the wait, up to the longest."""

    free: int
    longest: timedelta

    def wait(self, times: int) -> timedelta:
        """Say how long to wait after so many failures."""
        over = times - self.free
        return timedelta(0) if over < 0 else min(timedelta(seconds=2 ** min(over, 20)), self.longest)


RULES = {
    About.PAIR: Rule(4, timedelta(minutes=15)),
    About.ADDRESS: Rule(20, timedelta(minutes=15)),
    About.ACCOUNT: Rule(50, timedelta(seconds=20)),
}


def seconds_to_wait(request: HttpRequest, username: str, *, at: datetime) -> int:
    """Say for how many seconds a try to sign in must wait; 0 where it need not."""
    known = _is_known_here(request, username)
    waits = [timedelta(0)]
    for about, digest in _digests(request, username):
        if about == About.ACCOUNT and known:
            continue
        row = FailedSignIn.objects.filter(about=about, digest=digest).first()
        if row is not None and at - row.last_at < FORGOTTEN_AFTER:
            waits.append(row.last_at + RULES[About(about)].wait(row.times) - at)
    return max(0, -int(-max(waits).total_seconds() // 1))


def note_failure(request: HttpRequest, username: str, *, at: datetime) -> None:
    """Count a wrong name or password."""
    FailedSignIn.objects.filter(last_at__lt=at - FORGOTTEN_AFTER).delete()
    for about, digest in _digests(request, username):
        FailedSignIn.objects.get_or_create(about=about, digest=digest, defaults={"last_at": at})
        FailedSignIn.objects.filter(about=about, digest=digest).update(times=F("times") + 1, last_at=at)


def note_success(request: HttpRequest, answer: HttpResponse, username: str) -> None:
    """Forget the failures of this account here, and mark the browser as known."""
    pair = next(digest for about, digest in _digests(request, username) if about == About.PAIR)
    FailedSignIn.objects.filter(about=About.PAIR, digest=pair).delete()
    answer.set_cookie(
        MARK,
        signing.dumps(_digest(username), salt=MARK_SALT),
        max_age=MARK_DAYS * 24 * 3600,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
        path="/sign-in/",
    )


def told_to_wait(request: HttpRequest, seconds: int) -> HttpResponse:
    """Answer a try that came too early (429)."""
    answer = render(request, "people/wait.html", {"seconds": seconds}, status=429)
    answer["Retry-After"] = str(seconds)
    return answer


def address_of(request: HttpRequest) -> str:
    """Say from where a request comes: past so many proxies of our own as the settings name."""
    told = request.headers.get("X-Forwarded-For", "")
    hops = [hop.strip() for hop in told.split(",") if hop.strip()]
    if settings.PROXIES and len(hops) >= settings.PROXIES:
        return hops[-settings.PROXIES]
    return str(request.META.get("REMOTE_ADDR", ""))


def _is_known_here(request: HttpRequest, username: str) -> bool:
    try:
        held = signing.loads(request.COOKIES.get(MARK, ""), salt=MARK_SALT, max_age=MARK_DAYS * 24 * 3600)
    except signing.BadSignature:
        return False
    return bool(held == _digest(username))


def _digests(request: HttpRequest, username: str) -> Iterator[tuple[str, str]]:
    address = address_of(request)
    yield About.PAIR, _digest(f"{username}\n{address}")
    yield About.ADDRESS, _digest(f"\n{address}")
    yield About.ACCOUNT, _digest(username)


def _digest(text: str) -> str:
    return hashlib.sha256(f"{settings.SECRET_KEY}\n{text.casefold()}".encode()).hexdigest()
