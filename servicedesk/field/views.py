"""The technician's pages under /field/, and what their script asks for."""

from __future__ import annotations

from hashlib import sha256
from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib.auth.decorators import login_not_required
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, render
from django.templatetags.static import static
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from schedules.models import Visit
from schedules.models.care import WorkKind
from servicedesk.calls.forms.findings import modes_for
from servicedesk.calls.marks import marks_of
from servicedesk.calls.models import Call, Finding
from servicedesk.calls.operations import silicone_in_doubt
from servicedesk.calls.photo_files import most_bytes
from servicedesk.field.inbox import take_in
from servicedesk.field.photo_inbox import take_photo_in
from servicedesk.field.today import read_day, read_stop
from servicedesk.people.body_sizes import takes_up_to
from servicedesk.people.history import through
from servicedesk.people.models import Role, User
from servicedesk.people.models.changes import Door
from servicedesk.people.rights import technicians, user_of
from servicedesk.reports.likely_modes import likely_modes
from units.cautions import DEFERENCE
from units.models import Unit
from units.shapes import drawings_of

WORKS = (WorkKind.CLEANED, WorkKind.LUBRICATED, WorkKind.ADJUSTED, WorkKind.REPAIRED, WorkKind.CHECKED)


@technicians
def today(request: HttpRequest) -> HttpResponse:
    """The stops of today in order, the next one first, and what the phone keeps for later."""
    user = user_of(request)
    day = read_day(user, timezone.localdate())
    return render(request, "field/today.html", {"day": day, "deference": DEFERENCE, **_script(user)})


@technicians
def stop(request: HttpRequest, visit_pk: int) -> HttpResponse:
    """One stop: what was reported, what is due, what to look out for, and its units."""
    visit = get_object_or_404(Visit.objects.for_list(), pk=visit_pk)
    context = {"stop": read_stop(visit), "deference": DEFERENCE, **_script(user_of(request))}
    return render(request, "field/stop.html", context)


@technicians
def unit(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """One unit at the porch: tap where it is, what it is, what was done."""
    found = get_object_or_404(Unit.objects.at_the_porch(), pk=unit_pk)
    parts = [part for part in found.fitments.all() if part.removed_on is None]
    kinds = {part.kind for part in parts}
    call = Call.objects.open().filter(unit=found).order_by("-told_at").first()
    findings = list(Finding.objects.for_unit_sheet(found)[:20])
    likely = likely_modes(found, modes_for(found), symptom=call.symptom if call else "")
    context = {
        "unit": found,
        "parts": parts,
        "drawings": drawings_of(
            found,
            kinds=kinds,
            unit_of_length=settings.LENGTH_UNIT,
            marks=marks_of(findings, found.panels),
        ),
        "likely": likely,
        "call": call,
        "visit": _visit_today(user_of(request), found),
        "works": [(kind.value, kind.label) for kind in _works(found)],
        "severities": Finding.Severity.choices,
        "history": findings[:3],
        **_script(user_of(request)),
    }
    return render(request, "field/unit.html", context)


def _works(found: Unit) -> list[WorkKind]:
    """List the works that fit: what runs in liners is not offered to be lubricated."""
    dry = silicone_in_doubt(found, None)
    return [kind for kind in WORKS if not (dry and kind == WorkKind.LUBRICATED)]


def _visit_today(user: User, found: Unit) -> Visit | None:
    """Find the visit on which one stands at a unit today."""
    mine = Visit.objects.open().of(user).filter(site=found.site_id)
    return mine.filter(starts_at__date=timezone.localdate()).order_by("starts_at").first()


def _script(user: User) -> dict[str, Any]:
    return {"author": user.pk, "field": True}


def _sender(request: HttpRequest) -> User | None:
    """Say who sends; None, and so 401, where nobody may: a script must not be led to the sign-in."""
    user = request.user
    return user if isinstance(user, User) and user.may_act_as(Role.TECHNICIAN) else None


@never_cache
@login_not_required
@require_GET
def token(request: HttpRequest) -> HttpResponse:
    """A fresh token for sending, and who is signed in; 401 where nobody is."""
    user = _sender(request)
    if user is None:
        return JsonResponse({"state": "sign in"}, status=401)
    return JsonResponse({"token": get_token(request), "user": user.pk})


@never_cache
@login_not_required
@require_POST
def inbox(request: HttpRequest) -> HttpResponse:
    """Take in one record of a phone."""
    user = _sender(request)
    if user is None:
        return JsonResponse({"state": "sign in"}, status=401)
    with through(Door.PHONE):
        answer = take_in(request.body, by=user, at=timezone.now())
    return JsonResponse(answer.body, status=answer.status)


@never_cache
@login_not_required
@require_POST
@takes_up_to(most_bytes, of=lambda request: _sender(request) is not None)
def photos(request: HttpRequest) -> HttpResponse:
    """Take in one photo of a phone."""
    user = _sender(request)
    if user is None:
        return JsonResponse({"state": "sign in"}, status=401)
    try:
        key = UUID(request.POST.get("key", ""))
    except ValueError:
        return JsonResponse({"state": "unreadable", "words": "This photo has no key."}, status=400)
    with through(Door.PHONE):
        answer = take_photo_in(
            key,
            record=request.POST.get("record", ""),
            file=request.FILES.get("photo"),
            by=user,
            at=timezone.now(),
        )
    return JsonResponse(answer.body, status=answer.status)


@login_not_required
@require_GET
def service_worker(request: HttpRequest) -> HttpResponse:
    """The script that answers for the pages when there is no signal."""
    files = [static(name) for name in ("desk.css", "field.js", "icon.svg")]
    context = {"version": sha256(repr(files).encode()).hexdigest()[:12], "static": files}
    answer = render(request, "field/sw.js", context, content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    return answer


@login_not_required
@require_GET
def manifest(request: HttpRequest) -> HttpResponse:
    """What a phone needs to put the pages on its home screen (W3C web app manifest)."""
    return JsonResponse(
        {
            "name": f"{settings.COMPANY_NAME}: today",
            "short_name": "Today",
            "start_url": "/field/",
            "scope": "/field/",
            "display": "standalone",
            "background_color": "#fbf8f1",
            "theme_color": "#fbf8f1",
            "icons": [{"src": static("icon.svg"), "sizes": "any", "type": "image/svg+xml"}],
        },
        content_type="application/manifest+json",
    )
