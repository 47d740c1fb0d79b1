"""Views of the technician's pages under /field/, and of their script."""

from __future__ import annotations

from typing import Any
from uuid import UUID

from django.conf import settings
from django.contrib.auth import SESSION_KEY
from django.contrib.auth.decorators import login_not_required
from django.db.models import QuerySet, prefetch_related_objects
from django.http import HttpRequest, HttpResponse, JsonResponse
from django.middleware.csrf import get_token
from django.shortcuts import get_object_or_404, render
from django.templatetags.static import static
from django.utils import timezone
from django.views.decorators.cache import never_cache
from django.views.decorators.http import require_GET, require_POST

from schedules.models import MaintenanceTask, Visit
from schedules.models.maintenance import WorkKind
from servicedesk.accounts.body_sizes import takes_up_to
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import technicians, user_of
from servicedesk.calls.dangers import open_dangers
from servicedesk.calls.forms import FinishForm, WorkForm
from servicedesk.calls.forms.findings import MOST_PANELS, modes_for
from servicedesk.calls.marks import marks_of
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.calls.models.findings import Corner
from servicedesk.calls.operations import dangers_of, silicone_in_doubt, tasks_of
from servicedesk.calls.photo_files import most_bytes
from servicedesk.core.history import change_source
from servicedesk.core.models.changes import Source
from servicedesk.core.values.typed import read_key
from servicedesk.field.inbox import take_in
from servicedesk.field.photo_inbox import take_photo_in
from servicedesk.field.today import read_day, read_stop
from servicedesk.reports.likely_modes import likely_modes
from units.cautions import DEFERENCE
from units.models import Unit
from units.shapes import drawings_of

SCRIPTS = [
    f"field/{name}.js"
    for name in ("clock", "leaving", "pack", "photos", "picking", "porch", "sending", "store", "waiting")
]
"""Modules that main.js imports, named in the page so that a slow connection fetches all of them at once."""

SIGN_IN = "Sign in to send what is on this phone."
SWITCHED_OFF = "Your account is switched off. What you recorded stays on this phone: ask the office."
NOT_A_TECHNICIAN = (
    "Your account may not send records any more. What you recorded stays on this phone: ask the office."
)
WORKS = (WorkKind.CLEANED, WorkKind.LUBRICATED, WorkKind.ADJUSTED, WorkKind.REPAIRED, WorkKind.CHECKED)


@technicians
def today(request: HttpRequest) -> HttpResponse:
    """Stops of today in order, the next one first, and what the phone stores for later."""
    user = user_of(request)
    day = read_day(user, timezone.localdate())
    dangers = open_dangers()
    prefetch_related_objects([danger.visit for danger in dangers if danger.visit], "technicians")
    context = {"day": day, "dangers": dangers, "deference": DEFERENCE, **_script(user)}
    return render(request, "field/today.html", context)


@technicians
def stop(request: HttpRequest, visit_pk: int) -> HttpResponse:
    """One stop: what was reported, what is due, cautions, and its units."""
    visit = get_object_or_404(Visit.objects.for_list(), pk=visit_pk)
    context = {"stop": read_stop(visit), "deference": DEFERENCE, **_script(user_of(request))}
    return render(request, "field/stop.html", context)


@technicians
def unit(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """One unit at the site: its drawing to tap on, what it is, what was done."""
    unit = get_object_or_404(Unit.objects.at_the_porch(), pk=unit_pk)
    parts = [part for part in unit.installed_parts.all() if part.removed_on is None]
    kinds = {part.kind for part in parts}
    call = Call.objects.open().filter(unit=unit).order_by("-reported_at").first()
    findings = list(Finding.objects.for_unit_sheet(unit)[:20])
    likely = likely_modes(unit, modes_for(unit), symptom=call.symptom if call else "")
    context = {
        "unit": unit,
        "parts": parts,
        "drawings": drawings_of(
            unit,
            kinds=kinds,
            unit_of_length=settings.LENGTH_UNIT,
            marks=marks_of(findings, unit.panels),
            pick=True,
        ),
        "panel_numbers": range(1, (unit.panels or MOST_PANELS) + 1),
        "corners": [corner for corner in Corner.choices if corner[0]],
        "likely": likely,
        "call": call,
        "visit": _visit_today(user_of(request), unit),
        "works": [(kind.value, kind.label) for kind in [*_works(unit), WorkKind.REPLACED]],
        "severities": Finding.Severity.choices,
        "history": findings[:3],
        **_script(user_of(request)),
    }
    return render(request, "field/unit.html", context)


@technicians
def work(request: HttpRequest, unit_pk: int) -> HttpResponse:
    """Maintenance and other work at one unit, with what was replaced by what."""
    unit = get_object_or_404(Unit.objects.at_the_porch(), pk=unit_pk)
    visit = _visit_today(user_of(request), unit)
    form = WorkForm(instance=Work(unit=unit))
    form.use_required_attribute = False  # fields that only some choices need are hidden until then
    context = {
        "unit": unit,
        "visit": visit,
        "call": Call.objects.open().filter(unit=unit).order_by("-reported_at").first(),
        "form": form,
        "tasks": _next_due(unit, visit),
        "kinds": [kind for kind in WorkKind.choices if kind[0] in {*_works(unit), WorkKind.REPLACED}],
        "extents": form.fields["extent"].choices,  # type: ignore[attr-defined]
        **_script(user_of(request)),
    }
    return render(request, "field/work.html", context)


def _next_due(unit: Unit, visit: Visit | None) -> QuerySet[MaintenanceTask]:
    """Maintenance at a unit: what is on the visit, or else what is due."""
    tasks = MaintenanceTask.objects.open().filter(unit=unit).exclude(origin=MaintenanceTask.Origin.CALL)
    tasks = tasks.filter(visit_tasks__visit=visit) if visit else tasks.due(timezone.localdate())
    return tasks.order_by("due_on", "pk")


@technicians
def finish(request: HttpRequest, visit_pk: int) -> HttpResponse:
    """Finish a visit: all tasks are preset as done, exceptions are entered."""
    visit = get_object_or_404(Visit.objects.for_list(), pk=visit_pk)
    form = FinishForm(tasks=tasks_of(visit), dangers=dangers_of(visit))
    form.use_required_attribute = False
    context = {
        "visit": visit,
        "form": form,
        "reasons": MaintenanceTask.NotDone.choices,
        **_script(user_of(request)),
    }
    return render(request, "field/finish.html", context)


def _works(unit: Unit) -> list[WorkKind]:
    """Kinds of work that fit a unit: a unit that runs in liners is not offered lubrication."""
    dry = silicone_in_doubt(unit, None)
    return [kind for kind in WORKS if not (dry and kind == WorkKind.LUBRICATED)]


def _visit_today(user: User, unit: Unit) -> Visit | None:
    """Technician's visit at a unit today."""
    mine = Visit.objects.open().of(user).filter(site=unit.site_id)
    return mine.filter(starts_at__date=timezone.localdate()).order_by("starts_at").first()


def _script(user: User) -> dict[str, Any]:
    return {"author": user.pk, "field": True, "scripts": SCRIPTS}


def _sender(request: HttpRequest) -> User | None:
    """Signed-in technician who sends; None for anybody else."""
    user = request.user
    return user if isinstance(user, User) and user.may_act_as(Role.TECHNICIAN) else None


def _not_taken(request: HttpRequest) -> JsonResponse:
    """Response to a sender without access: no redirect to the sign-in, which may not help a script."""
    if isinstance(request.user, User):
        return JsonResponse({"state": "no access", "words": NOT_A_TECHNICIAN}, status=403)
    pk = read_key(request.session.get(SESSION_KEY))
    if pk is not None and User.objects.filter(pk=pk, is_active=False).exists():
        return JsonResponse({"state": "no access", "words": SWITCHED_OFF}, status=403)
    return JsonResponse({"state": "sign in", "words": SIGN_IN}, status=401)


@never_cache
@login_not_required
@require_GET
def token(request: HttpRequest) -> HttpResponse:
    """New CSRF token for sending, and who is signed in; 401 or 403 without access."""
    user = _sender(request)
    if user is None:
        return _not_taken(request)
    return JsonResponse({"token": get_token(request), "user": user.pk})


@never_cache
@login_not_required
@require_POST
def inbox(request: HttpRequest) -> HttpResponse:
    """Receive one record of a phone."""
    user = _sender(request)
    if user is None:
        return _not_taken(request)
    with change_source(Source.PHONE):
        answer = take_in(request.body, by=user, at=timezone.now())
    return JsonResponse(answer.body, status=answer.status)


@never_cache
@login_not_required
@require_POST
@takes_up_to(most_bytes, of=lambda request: _sender(request) is not None)
def photos(request: HttpRequest) -> HttpResponse:
    """Receive one photo of a phone."""
    user = _sender(request)
    if user is None:
        return _not_taken(request)
    try:
        key = UUID(request.POST.get("key", ""))
    except ValueError:
        return JsonResponse({"state": "unreadable", "words": "This photo has no key."}, status=400)
    with change_source(Source.PHONE):
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
    """Service worker, which answers for the pages while offline."""
    context = {"static_url": settings.STATIC_URL}
    answer = render(request, "field/sw.js", context, content_type="text/javascript; charset=utf-8")
    answer["Cache-Control"] = "no-cache"
    return answer


@login_not_required
@require_GET
def signed_out(request: HttpRequest) -> HttpResponse:
    """Page that a phone shows after signing out while offline; the phone caches it for then."""
    return render(request, "field/signed_out.html")


@login_not_required
@require_GET
def manifest(request: HttpRequest) -> HttpResponse:
    """Web app manifest (W3C), with which a phone puts the pages on its home screen."""
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
