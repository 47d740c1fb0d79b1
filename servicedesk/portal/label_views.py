"""Views of QR labels for units: sheets to print, and the page behind a code, for staff and for the public."""

from __future__ import annotations

from typing import Any

from django import forms
from django.conf import settings
from django.contrib import messages
from django.contrib.auth.decorators import login_not_required
from django.db import transaction
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone
from django.utils.safestring import mark_safe
from django.views.decorators.http import require_POST

from servicedesk.accounts.body_sizes import takes_up_to
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.rights import schedulers, user_of
from servicedesk.calls.models import Call
from servicedesk.calls.operations import add_photo, log_report
from servicedesk.calls.photo_field import PhotoField
from servicedesk.calls.photo_files import most_bytes
from servicedesk.core.rules.new_values import LimitedTextInput
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report
from servicedesk.core.values.searching import ScrapField
from servicedesk.portal.rate_limit import too_many
from units.drawings.labels import FORMATS, Label, draw_sheets
from units.labels import labels_for, replace_label
from units.models import Unit, UnitLabel
from units.views import status_of

MOST_UNITS = 500
MOST_SENT = 10
TOO_OFTEN = "That was sent very often. Please wait an hour, or telephone us."


class SheetForm(forms.Form):
    """Form of a sheet of labels: which units, and what sheet."""

    q = ScrapField(label="Site or unit", help_text="A code or an address; leave empty for all.")
    sheet = forms.ChoiceField(label="Sheet", choices=[(name, each.name) for name, each in FORMATS.items()])
    skip = forms.IntegerField(
        label="Labels used already", required=False, min_value=0, max_value=29, help_text="On the first page."
    )


class ReportForm(forms.Form):
    """Report of a problem with a window, by anybody who stands before it."""

    words = LimitedTextInput(
        max_length=2000, widget=forms.Textarea(attrs={"rows": 4}), label="What is wrong with this window?"
    )
    name = forms.CharField(max_length=120, label="Your name", required=False)
    phone = forms.CharField(max_length=40, label="Where we can call you", required=False)
    photo = PhotoField()


@schedulers
def labels(request: HttpRequest) -> HttpResponse:
    """Sheets of QR labels to print."""
    form = SheetForm(request.GET if "sheet" in request.GET else None)
    pages: list[Any] = []
    units: list[Unit] = []
    if form.is_bound and form.is_valid():
        data = form.cleaned_data
        units = list(Unit.objects.in_place().matching(data["q"]).order_by("code")[:MOST_UNITS])
        made = labels_for(units, by=user_of(request), at=timezone.now())
        try:
            drawn = draw_sheets(
                [Label(each.address, (each.unit.code, settings.COMPANY_NAME)) for each in made],
                FORMATS[data["sheet"]],
                skip=data["skip"] or 0,
            )
            pages = [mark_safe(page) for page in drawn]  # noqa: S308  # the drawing escapes every text itself  # nosec B308 B703
        except ValueError as error:
            form.add_error("skip", str(error))
    context = {"form": form, "pages": pages, "units": units, "most": MOST_UNITS}
    return render(request, "portal/labels.html", context, status=status_of(form))


@schedulers
@require_POST
def new_label(request: HttpRequest, pk: int) -> HttpResponse:
    """Replace the QR label of a unit; the old code is invalid from then on."""
    unit = get_object_or_404(Unit, pk=pk)
    replace_label(unit, by=user_of(request), at=timezone.now())
    messages.success(request, "The label has a new code. Print it; the old label no longer works.")
    return redirect(unit)


@login_not_required
@takes_up_to(most_bytes, of=lambda request, code: _in_force(code) is not None, answers_itself=True)
def label(request: HttpRequest, code: str) -> HttpResponse:
    """Page behind a QR label: the unit for staff, a report form for the public."""
    sticker = _in_force(code)
    if sticker is None:
        raise Http404("This code is no longer in use.")
    user = request.user
    if isinstance(user, User) and user.may_act_as(Role.TECHNICIAN):
        unit = sticker.unit
        return redirect("field:unit", unit.pk) if user.role == Role.TECHNICIAN else redirect(unit)
    form = ReportForm(request.POST or None, request.FILES or None)
    sent = request.method == "POST" and bool(apply_or_report(form, lambda: _report(request, sticker, form)))
    context = {"form": ReportForm() if sent else form, "told": sent}
    answer = render(request, "portal/label.html", context, status=200 if sent else status_of(form))
    answer["X-Robots-Tag"] = "noindex"
    return answer


def _in_force(code: str) -> UnitLabel | None:
    """QR label with a code, unless it was replaced."""
    return UnitLabel.objects.filter(code=code, replaced_at=None).select_related("unit__site").first()


def _report(request: HttpRequest, sticker: UnitLabel, form: ReportForm) -> bool:
    """Log a call from the report; nothing of it is shown to whoever scans the code next."""
    if too_many("label", sticker.code, most=MOST_SENT):
        raise RuleViolation(TOO_OFTEN)
    at, data = timezone.now(), form.cleaned_data
    with transaction.atomic():
        call = Call(
            site=sticker.unit.site,
            unit=sticker.unit,
            reported_by=data["name"] or "somebody who scanned the label",
            phone=data["phone"],
            words=data["words"],
            urgency=Call.Urgency.THIS_WEEK,
        )
        call, new = log_report(call, at=at)
        if data["photo"] is not None and new:
            add_photo(call, data["photo"].file, size=data["photo"].size, by=None, at=at)
    return True
