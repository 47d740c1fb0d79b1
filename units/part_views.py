"""Views that change the installed parts of a unit."""

from __future__ import annotations

from django.contrib import messages
from django.http import HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from servicedesk.accounts.rights import schedulers, user_of
from servicedesk.core.idempotency import save_idempotent
from servicedesk.core.rules.refusals import apply_or_report
from units import fitting
from units.forms import FitForm, ReplaceForm, ShareForm, TakeOutForm
from units.models import InstalledPart, Unit
from units.views import status_of


def _installed_part(pk: int) -> InstalledPart:
    return get_object_or_404(
        InstalledPart.objects.for_sheet().select_related("unit", "component_type"), pk=pk
    )


@schedulers
def fit_part(request: HttpRequest, pk: int) -> HttpResponse:
    """Fit a part into an empty slot."""
    unit = get_object_or_404(Unit, pk=pk)
    form = FitForm(request.POST or None, unit=unit, initial={"on": timezone.localdate()})

    def make() -> str:
        data = {name: value for name, value in form.cleaned_data.items() if name != "idempotency_key"}
        fitting.fit_part(unit, **data, by=user_of(request), at=timezone.now())
        return unit.get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "Saved. The part is in the unit.")
        return redirect(where)
    return render(request, "units/part_fit.html", {"form": form, "unit": unit}, status=status_of(form))


@schedulers
def replace_set(request: HttpRequest, pk: int) -> HttpResponse:
    """Replace all pieces of a slot, perhaps by another type."""
    installed_part = _installed_part(pk)
    form = ReplaceForm(
        request.POST or None, installed_part=installed_part, initial={"on": timezone.localdate()}
    )

    def make() -> str:
        data = {name: value for name, value in form.cleaned_data.items() if name != "idempotency_key"}
        fitting.replace_set(installed_part, **data, by=user_of(request), at=timezone.now())
        return installed_part.unit.get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "Replaced. The earlier part stays in the unit's history.")
        return redirect(where)
    context = {"form": form, "unit": installed_part.unit, "installed_part": installed_part}
    return render(request, "units/part_replace.html", context, status=status_of(form))


@schedulers
def change_panel_share(request: HttpRequest, pk: int) -> HttpResponse:
    """Change one panel's share of a part to another type."""
    installed_part = _installed_part(pk)
    form = ShareForm(
        request.POST or None, installed_part=installed_part, initial={"on": timezone.localdate()}
    )

    def make() -> str:
        data = {name: value for name, value in form.cleaned_data.items() if name != "idempotency_key"}
        fitting.change_panel_share(installed_part, **data, by=user_of(request), at=timezone.now())
        return installed_part.unit.get_absolute_url()

    if where := save_idempotent(request, form, make):
        messages.success(request, "Replaced. The other pieces stay under the old part.")
        return redirect(where)
    context = {"form": form, "unit": installed_part.unit, "installed_part": installed_part}
    return render(request, "units/part_share.html", context, status=status_of(form))


@schedulers
def take_out(request: HttpRequest, pk: int) -> HttpResponse:
    """Take a part out and leave its slot empty."""
    installed_part = _installed_part(pk)
    form = TakeOutForm(request.POST or None, initial={"on": timezone.localdate()})
    if request.method == "POST" and apply_or_report(
        form,
        lambda: fitting.take_out(
            installed_part, on=form.cleaned_data["on"], by=user_of(request), at=timezone.now()
        ),
    ):
        messages.success(request, "Removed.")
        return redirect(installed_part.unit)
    context = {"form": form, "unit": installed_part.unit, "installed_part": installed_part}
    return render(request, "units/part_take_out.html", context, status=status_of(form))
