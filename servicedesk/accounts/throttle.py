"""Throttling of password guesses, without locking out the account's owner.

A wrong password delays the next attempt: soon for the same account from the same address, later for any
account from that address, and latest, and only a little, for an account that is tried from many addresses.
Only the failures of the last day count (a sliding window, in hours), and the right password removes the
failures of its account at its address from all three counts. A browser in which somebody signed in before
carries a signed cookie and is delayed by nothing but its own failures with that account; so is a signed-in
user.
"""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from datetime import datetime, timedelta

from django.conf import settings
from django.core import signing
from django.db import transaction
from django.db.models import F, Max, Sum
from django.http import HttpRequest, HttpResponse
from django.shortcuts import render

from servicedesk.accounts.models import FailedSignIn

About = FailedSignIn.About
HOUR, HOURS_COUNTED = 3600, 24
FORGOTTEN_AFTER = timedelta(hours=HOURS_COUNTED)
MARK, MARK_SALT, MARK_DAYS = "known_here", "people.known-here", 180


@dataclass(frozen=True)
class Rule:
    """Exponential backoff: so many failures are free; each more doubles the delay, up to the longest."""

    free: int
    longest: timedelta

    def wait(self, times: int) -> timedelta:
        """Delay after so many failures."""
        over = times - self.free
        return timedelta(0) if over < 0 else min(timedelta(seconds=2 ** min(over, 20)), self.longest)


RULES = {
    About.PAIR: Rule(4, timedelta(minutes=15)),
    About.ADDRESS: Rule(20, timedelta(minutes=15)),
    About.ACCOUNT: Rule(50, timedelta(seconds=20)),
}


def seconds_to_wait(request: HttpRequest, username: str, *, at: datetime) -> int:
    """Seconds that an attempt to sign in must wait; 0 where it need not."""
    known = _is_known_here(request, username)
    waits = [timedelta(0)]
    for about, who in _counted(request, username, known=known).items():
        if known and about != About.PAIR:
            continue
        rows = FailedSignIn.objects.filter(about=about, digest__in=_digests(who, at=at))
        counts = rows.aggregate(times=Sum("times", default=0), last_at=Max("last_at"))
        if counts["times"]:
            waits.append(counts["last_at"] + RULES[about].wait(counts["times"]) - at)
    return max(0, -int(-max(waits).total_seconds() // 1))


def note_failure(request: HttpRequest, username: str, *, at: datetime) -> None:
    """Count a failed sign-in."""
    FailedSignIn.objects.filter(last_at__lt=at - FORGOTTEN_AFTER).delete()
    recognized = _is_known_here(request, username)
    for about, who in _counted(request, username, known=recognized).items():
        digest = _digests(who, at=at)[0]
        FailedSignIn.objects.get_or_create(about=about, digest=digest, defaults={"last_at": at})
        FailedSignIn.objects.filter(about=about, digest=digest).update(times=F("times") + 1, last_at=at)


def forgive(request: HttpRequest, username: str, *, at: datetime) -> None:
    """Remove the failures of an account at an address from all counts after the right password."""
    with transaction.atomic():
        for recognized in (False, True):
            names = _counted(request, username, known=recognized)
            _forgive({about: _digests(who, at=at) for about, who in names.items()})


def _forgive(digests: dict[FailedSignIn.About, list[str]]) -> None:
    """Remove the failures of one account and address, hour by hour; one order of locks avoids deadlocks."""
    hours = {digest: hour for hour, digest in enumerate(digests[About.PAIR])}
    pairs = FailedSignIn.objects.select_for_update().filter(about=About.PAIR, digest__in=hours)
    for pair in sorted(pairs.order_by("pk"), key=lambda each: hours[each.digest]):
        hour = hours[pair.digest]
        for about in (About.ADDRESS, About.ACCOUNT):
            rows = FailedSignIn.objects.filter(about=about, digest=digests[about][hour])
            rows.filter(times__gte=pair.times).update(times=F("times") - pair.times)
        pair.delete()


def note_success(request: HttpRequest, answer: HttpResponse, username: str, *, at: datetime) -> None:
    """Forgive the failures of this account here, and mark the browser as known."""
    forgive(request, username, at=at)
    answer.set_cookie(
        MARK,
        signing.dumps(_digest(username), salt=MARK_SALT),
        max_age=MARK_DAYS * 24 * 3600,
        secure=settings.SESSION_COOKIE_SECURE,
        httponly=True,
        samesite="Lax",
        path="/sign-in/",
    )


def wait_answer(request: HttpRequest, seconds: int) -> HttpResponse:
    """Response to an attempt that came too early (429)."""
    answer = render(request, "accounts/wait.html", {"seconds": seconds}, status=429)
    answer["Retry-After"] = str(seconds)
    return answer


def address_of(request: HttpRequest) -> str:
    """Client address of a request, behind as many trusted proxies as the settings name."""
    header = request.headers.get("X-Forwarded-For", "")
    hops = [hop.strip() for hop in header.split(",") if hop.strip()]
    if settings.PROXIES and len(hops) >= settings.PROXIES:
        return hops[-settings.PROXIES]
    return str(request.META.get("REMOTE_ADDR", ""))


def _is_known_here(request: HttpRequest, username: str) -> bool:
    user = getattr(request, "user", None)
    if user is not None and user.is_authenticated:
        return bool(user.get_username() == username)
    try:
        mark = signing.loads(request.COOKIES.get(MARK, ""), salt=MARK_SALT, max_age=MARK_DAYS * 24 * 3600)
    except signing.BadSignature:
        return False
    return bool(mark == _digest(username))


def _counted(request: HttpRequest, username: str, *, known: bool) -> dict[FailedSignIn.About, str]:
    """Keys under which an attempt to sign in is counted; a known browser is counted apart."""
    address = address_of(request)
    where = f"{address}\nknown here" if known else address
    return {About.PAIR: f"{username}\n{where}", About.ADDRESS: f"\n{address}", About.ACCOUNT: username}


def _digests(who: str, *, at: datetime) -> list[str]:
    """Digests that one key is counted under, one for each counted hour, the present one first."""
    this_hour = int(at.timestamp()) // HOUR
    return [_digest(f"{who}\n{this_hour - hour}") for hour in range(HOURS_COUNTED)]


def _digest(text: str) -> str:
    return hashlib.sha256(f"{settings.SECRET_KEY}\n{text.casefold()}".encode()).hexdigest()
