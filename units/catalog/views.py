"""Views of the catalog, on which an owner extends the reference data."""

from __future__ import annotations

from dataclasses import dataclass

from django import forms
from django.contrib import messages
from django.db.models import Model
from django.http import Http404, HttpRequest, HttpResponse
from django.shortcuts import get_object_or_404, redirect, render
from django.utils import timezone

from servicedesk.accounts.rights import owners, user_of
from servicedesk.core.edits import apply_edit_or_report, as_opened
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import apply_or_report
from units import operations
from units.catalog.forms import ComponentTypeForm, ConstructionForm, FailureModeForm, PartsFormSet
from units.models import ComponentType, Construction, FailureMode
from units.views import status_of


@dataclass(frozen=True)
class Sheet:
    """One list of the reference data."""

    model: type[Model]
    form: type[forms.ModelForm]
    title: str
    one: str
    lead: str


SHEETS = {
    "types": Sheet(
        ComponentType,
        ComponentTypeForm,
        "Types of part",
        "type of part",
        "The types a part can be. Figures compare these types, so give each way of making its own.",
    ),
    "constructions": Sheet(
        Construction,
        ConstructionForm,
        "Constructions",
        "construction",
        "Ways of building a unit. A new unit starts with the parts of its construction.",
    ),
    "modes": Sheet(
        FailureMode,
        FailureModeForm,
        "Failure modes",
        "failure mode",
        "How parts fail. A mode belongs to a kind of part, so that constructions are compared fairly.",
    ),
}


def _sheet(what: str) -> Sheet:
    if what not in SHEETS:
        raise Http404
    return SHEETS[what]


def _parts_of(row: Model) -> str:
    """Parts of a construction in words; "" for other rows."""
    if not isinstance(row, Construction):
        return ""
    parts = row.parts.select_related("component_type").order_by("pk")
    phrases = (
        f"{part.pieces} {part.component_type}{' each panel' if part.each_panel else ''}"
        f"{' if wanted' if part.optional else ''}"
        for part in parts
    )
    return "; ".join(phrases) or "no parts"


@owners
def rows(request: HttpRequest, what: str) -> HttpResponse:
    """List all rows of one list of the reference data."""
    sheet = _sheet(what)
    records = sheet.model._default_manager.all()
    return render(request, "units/reference_list.html", {"sheet": sheet, "what": what, "rows": records})


@owners
def add_row(request: HttpRequest, what: str) -> HttpResponse:
    """Add a row to the reference data."""
    sheet = _sheet(what)
    form = sheet.form(request.POST or None)
    if request.method == "POST" and (
        made := apply_or_report(
            form, lambda: operations.add_filled_in(form, by=user_of(request), at=timezone.now())
        )
    ):
        messages.success(request, f"Added: {made}.")
        return redirect("units:change_reference", what, made.pk)
    context = {"sheet": sheet, "what": what, "form": form}
    return render(request, "units/reference_add.html", context, status=status_of(form))


@owners
def change_row(request: HttpRequest, what: str, pk: int) -> HttpResponse:
    """Edit a row of the reference data; a construction with its parts."""
    sheet = _sheet(what)
    row = get_object_or_404(sheet.model, pk=pk)
    form = as_opened(sheet.form(request.POST or None, instance=row), also=_parts_of(row))
    parts = PartsFormSet(request.POST or None, instance=row) if isinstance(row, Construction) else None
    filled_in = request.method == "POST" and (parts is None or parts.is_valid())
    if filled_in and apply_edit_or_report(
        form,
        lambda: operations.change_filled_in(form, parts=parts, by=user_of(request), at=timezone.now()),
        record=row,
        by=user_of(request),
        also=lambda: _parts_of(row),
    ):
        messages.success(request, "Saved. Existing units keep the parts they have.")
        return redirect("units:reference", what)
    context = {"sheet": sheet, "what": what, "form": form, "row": row, "parts": parts}
    context["changes"] = Change.objects.about(row).for_page()
    return render(request, "units/reference_form.html", context, status=status_of(form))
