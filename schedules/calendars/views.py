"""Views of calendar links, the feeds behind them, and calendar files."""

from __future__ import annotations

import zlib
from collections.abc import Callable
from contextlib import suppress
from datetime import timedelta

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.core.cache import cache
from django.core.exceptions import PermissionDenied
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.urls import reverse
from django.utils import timezone
from django.utils.cache import get_conditional_response
from django.views.decorators.http import require_GET, require_POST, require_safe
from redis.exceptions import RedisError

from schedules import operations
from schedules.calendars.feeds import (
    due_feed,
    todo_feed,
    version_of_visits,
    visits_feed,
    visits_of,
    write_visits,
)
from schedules.calendars.ical import body_etag
from schedules.forms import ExportForm, LinkForm
from schedules.models import CalendarLink
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import technicians, user_of
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.dates import day_bounds
from servicedesk.core.values.typed import read_key

MOST_DAYS = 366


@technicians
def calendars(request: HttpRequest) -> HttpResponse:
    """List the calendar links in force that the user may manage."""
    user = user_of(request)
    links = CalendarLink.objects.in_force().for_list(user)
    form = LinkForm(people=_people(user)) if user.may_act_as(Role.SCHEDULER) else None
    mine = next((link for link in links if link.person_id == user.pk), None)
    return render(request, "schedules/calendars.html", {"links": links, "form": form, "mine": mine})


@technicians
@require_POST
def make_link(request: HttpRequest) -> HttpResponse:
    """Make a link for oneself; a scheduler also for others and for the team."""
    user, others = user_of(request), "whose" in request.POST
    if others and not user.may_act_as(Role.SCHEDULER):
        raise PermissionDenied
    form = LinkForm(request.POST, people=_people(user)) if others else forms.Form(request.POST)

    def make() -> tuple[CalendarLink, str]:
        person = form.person() if isinstance(form, LinkForm) else user
        return operations.make_link(person, by=user, at=timezone.now())

    return _answer(request, form, apply_or_report(form, make))


@technicians
@require_POST
def replace_link(request: HttpRequest, pk: int) -> HttpResponse:
    """Replace a link by a new one."""
    link = _link(request, pk)
    form = forms.Form(request.POST)
    made = apply_or_report(
        form, lambda: operations.replace_link(link, by=user_of(request), at=timezone.now())
    )
    return _answer(request, form, made)


@technicians
@require_POST
def revoke_link(request: HttpRequest, pk: int) -> HttpResponse:
    """Revoke a link."""
    link, form = _link(request, pk), forms.Form(request.POST)

    def revoke() -> bool:
        operations.revoke_link(link, by=user_of(request), at=timezone.now())
        return True

    if apply_or_report(form, revoke):
        messages.success(request, "Revoked. Calendars that read this link get nothing from now on.")
    else:
        messages.error(request, _reasons(form))
    return redirect("schedules:calendars")


@login_not_required
@require_safe
def feed(request: HttpRequest, secret: str) -> HttpResponse:
    """Feed of the visits behind a secret link, for calendars that subscribe to it."""
    link, at = _link_behind(secret), timezone.now()
    key = f"feed:{version_of_visits(link.person, at=at)}"
    cached = _kept_feed(key)
    if cached is None:
        body = visits_feed(link.person, at=at)
        cached = body_etag(body), zlib.compress(body, 1)
        _keep_feed(key, cached)
    etag, packed = cached
    return _feed_answer(request, lambda: zlib.decompress(packed), etag=etag)


@login_not_required
@require_safe
def feed_of_due(request: HttpRequest, secret: str) -> HttpResponse:
    """Feed of due maintenance behind a secret link, as all-day entries."""
    _link_behind(secret)
    body = due_feed(at=timezone.now())
    return _feed_answer(request, lambda: body, etag=body_etag(body))


@login_not_required
@require_safe
def feed_of_todos(request: HttpRequest, secret: str) -> HttpResponse:
    """Feed of tasks behind a secret link, as to-dos."""
    _link_behind(secret)
    body = todo_feed(at=timezone.now())
    return _feed_answer(request, lambda: body, etag=body_etag(body))


@technicians
@require_GET
def export(request: HttpRequest) -> HttpResponse:
    """Download the visits of some days as a calendar file."""
    form = ExportForm(request.GET)
    if not form.is_valid():
        return HttpResponse("Write from and until like 2026-05-04.", status=400, content_type="text/plain")
    first = form.cleaned_data["from"] or timezone.localdate()
    days = (form.cleaned_data["until"] - first).days + 1 if form.cleaned_data["until"] else 28
    if not 1 <= days <= MOST_DAYS:
        return HttpResponse(
            "Ask for one day up to a year of visits.", status=400, content_type="text/plain; charset=utf-8"
        )
    person = _whose(user_of(request), form.cleaned_data["who"] or "me")
    body = write_visits(visits_of(person).between(*day_bounds(first, days=days)), person=person)
    answer = HttpResponse(body, content_type="text/calendar; charset=utf-8")
    last = first + timedelta(days=days - 1)
    answer["Content-Disposition"] = f'attachment; filename="visits-{first}-to-{last}.ics"'
    return answer


def _people(user: User) -> list[User]:
    """List the others for whom a scheduler may make a link."""
    return list(User.objects.technicians().exclude(pk=user.pk))


def _link(request: HttpRequest, pk: int) -> CalendarLink:
    """Look up a link that the user may change: their own, or as a scheduler any."""
    user, link = user_of(request), get_object_or_404(CalendarLink.objects.in_force(), pk=pk)
    if link.person_id != user.pk and not user.may_act_as(Role.SCHEDULER):
        raise PermissionDenied
    return link


def _answer(request: HttpRequest, form: forms.Form, made: tuple[CalendarLink, str] | None) -> HttpResponse:
    """Show the addresses of a new link, this once: only a digest of the secret is stored."""
    if made is None:
        messages.error(request, _reasons(form))
        return redirect("schedules:calendars")
    link, secret = made
    visits = settings.SITE_URL + reverse("schedules:feed", args=[secret])
    due = settings.SITE_URL + reverse("schedules:feed_of_due", args=[secret])
    todos = settings.SITE_URL + reverse("schedules:feed_of_todos", args=[secret])
    context = {"link": link, "addresses": [("Visits", visits), ("Maintenance due", due), ("To-dos", todos)]}
    answer = render(request, "schedules/calendar_link.html", context)
    answer["Cache-Control"] = "no-store"
    return answer


def _reasons(form: forms.Form) -> str:
    """Errors of a form, joined into one line."""
    return " ".join(str(text) for texts in form.errors.values() for text in texts)


def _link_behind(secret: str) -> CalendarLink:
    """Look up the link in force that a secret opens, and record that it was read."""
    link = CalendarLink.objects.in_force().opened_by(operations.hash_of(secret)).first()
    if link is None:
        raise Http404("No calendar is here.")
    operations.note_read(link, at=timezone.now())
    return link


def _feed_answer(request: HttpRequest, body: Callable[[], bytes], *, etag: str) -> HttpResponse:
    """Response with a feed, or 304 Not Modified where the entity tag matches.

    There is no Last-Modified: an entry that leaves the window changes the body without any record changing.
    """
    conditional = get_conditional_response(request, etag=etag)
    if isinstance(conditional, HttpResponse):
        answer = conditional
    else:
        answer = HttpResponse(body(), content_type="text/calendar; charset=utf-8")
    answer["ETag"] = etag
    answer["Cache-Control"] = "private"
    answer["Referrer-Policy"] = "no-referrer"
    answer["X-Robots-Tag"] = "noindex"
    return answer


def _kept_feed(key: str) -> tuple[str, bytes] | None:
    """Cached feed for a version of the records; None where there is none."""
    with suppress(RedisError):
        entry: tuple[str, bytes] | None = cache.get(key)
        return entry
    return None


def _keep_feed(key: str, entry: tuple[str, bytes]) -> None:
    """Cache a feed for a day; where that fails it is built again."""
    with suppress(RedisError):
        cache.set(key, entry, timeout=24 * 3600)


def _whose(user: User, who: str) -> User | None:
    """Whose visits are requested: one's own, or as a scheduler the team's (None) or anybody's."""
    if who in {"me", str(user.pk)}:
        return user
    if not user.may_act_as(Role.SCHEDULER):
        raise PermissionDenied
    if who == "team":
        return None
    return get_object_or_404(User.objects.technicians(), pk=read_key(who) or 0)
