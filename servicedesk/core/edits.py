"""Optimistic concurrency control of forms: what another user stored meanwhile is shown, not lost.

A form that changes a record carries, hidden, a digest of every value it was opened with. When it is sent,
what stands in the database now is compared with those digests, with the record locked. Where nothing changed,
the form is stored as always. Otherwise nothing is stored: the form comes back with what was typed. Beside
each field that somebody else changed it shows what they stored and when; a field that was not touched here
shows their value. Sent again, it is stored.

`as_opened` adds the digests to a form, `apply_edit_or_report` stores it; a view that changes a record uses
both.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Iterable
from copy import copy
from typing import TYPE_CHECKING, Any, TypeVar, cast

from django import forms
from django.db import models, transaction
from django.forms import BaseForm
from django.http import QueryDict
from django.utils import timezone
from django.utils.choices import flatten_choices

from servicedesk.core.history import stored_record
from servicedesk.core.models import Change, ChangedField
from servicedesk.core.rules.refusals import apply_or_report
from servicedesk.core.values.dates import date_time

if TYPE_CHECKING:
    from servicedesk.accounts.models import User

OPENED_WITH, BESIDES = "opened_with", "+"
MOST_NAMED = 4
"""The most values of one field that are named one by one."""
AnyForm = TypeVar("AnyForm", bound=BaseForm)
LOOK = "Nothing is saved yet. Check the fields named here, then save again: what is in them then counts."


def as_opened(form: AnyForm, *, also: str = "") -> AnyForm:
    """Add digests of the values a form is opened with, and of what belongs to it (``also``), to the form."""
    marks = json.dumps(_marks(form, also=also))
    form.fields[OPENED_WITH] = forms.CharField(required=False, widget=forms.HiddenInput, initial=marks)
    form.as_read = copy(getattr(form, "instance", None))  # type: ignore[attr-defined]  # before it is filled in
    return form


def apply_edit_or_report(
    form: BaseForm,
    make: Callable[[], object],
    *,
    record: models.Model | None,
    by: User,
    again: Callable[[], BaseForm] | None = None,
    also: Callable[[], str] | None = None,
) -> Any:
    """Store what a valid form says, unless somebody stored something else since it was opened.

    Parameters
    ----------
    form : BaseForm
        What was posted; it came from `as_opened`.
    make : callable
        Stores it; a refusal is shown on the form.
    record : Model or None
        The record that is locked meanwhile and whose history names who changed it.
    by : User
        Who stores it.
    again : callable
        Builds the same form anew, with the current values; a model form needs none.
    also : callable
        Describes in words what belongs to the record besides, as it is now.

    Returns
    -------
    object or None
        What ``make`` returned; None where the form comes back with its reasons.
    """
    if not form.is_valid():
        return None
    with transaction.atomic():
        stored = stored_record(record) if record is not None and record.pk else None
        fresh = again() if again else type(form)(instance=stored)  # type: ignore[call-arg]  # of a model
        now = also() if also else ""
        if _is_told_of_changes(form, fresh, record=record, by=by, also=now):
            return None
        if stored is not None and getattr(form, "instance", None) == record:
            _take_the_rest(form, stored)
        return apply_or_report(form, make)


def _is_told_of_changes(
    form: BaseForm, fresh: BaseForm, *, record: models.Model | None, by: User, also: str
) -> bool:
    """Report on a form what somebody else stored since it was opened; return whether there was anything."""
    opened = _read_marks(form)
    typed = {name: _canonical(_posted(form, name)) for name in opened if name in fresh.fields}
    stored = {name: _canonical(_rendered(fresh, name)) for name in typed}
    others = [name for name in typed if opened[name] != _mark(stored[name]) and typed[name] != stored[name]]
    besides = BESIDES in opened and opened[BESIDES] != _mark([also])
    if not others and not besides:
        return False
    data = cast(QueryDict, form.data).copy()
    data[OPENED_WITH] = json.dumps(_marks(fresh, also=also))
    history = _History(record, by=by)
    for name in others:
        words = (
            _in_words(fresh, name) if len(stored[name]) <= MOST_NAMED else _ticks(fresh, name, typed[name])
        )
        theirs = f"{history.who_stored(name)} saved {words} here meanwhile."
        if opened[name] == _mark(typed[name]):
            _put(data, form.add_prefix(name), stored[name])
            form.add_error(name, f"{theirs} You had not touched it, so theirs is in the field now.")
        else:
            form.add_error(name, f"{theirs} What you typed is still in the field.")
    if besides:
        form.add_error(None, f"{history.who_stored('')} changed what belongs to it; it is now: {also}.")
    form.add_error(None, LOOK)
    form.data = data
    return True


class _History:
    """Who changed a record last, as far as its history records it."""

    def __init__(self, record: models.Model | None, *, by: User) -> None:
        self.record, self.by = record, by

    def who_stored(self, name: str) -> str:
        """Name who last changed a field, and when; the record where the history does not name the field."""
        if self.record is None or not self.record.pk:
            return "Somebody"
        about = Change.objects.about(self.record).select_related("by").order_by("-pk")
        names = {field.name: str(field.verbose_name) for field in self.record._meta.concrete_fields}
        of_field = ChangedField.objects.filter(field=names.get(name, name)).values("change")
        change = about.filter(pk__in=of_field).first() or about.first()
        if change is None:
            return "Somebody"
        who = "Somebody" if change.by is None else change.by.name
        if change.by_id == self.by.pk:
            who = "You, in another window,"
        return f"{who} ({date_time(timezone.localtime(change.at))})"


def _take_the_rest(form: Any, stored: models.Model) -> None:
    """Copy fields that the form does not have, and that nothing changed since, from the stored record."""
    for field in stored._meta.concrete_fields:
        name = field.attname
        if field.name not in form.fields and getattr(form.instance, name) == getattr(form.as_read, name):
            setattr(form.instance, name, getattr(stored, name))


def _marks(form: BaseForm, *, also: str) -> dict[str, str]:
    names = [name for name, field in form.fields.items() if name != OPENED_WITH and not field.disabled]
    marks = {name: _mark(_canonical(_rendered(form, name))) for name in names}
    return {**marks, BESIDES: _mark([also])} if also else marks


def _read_marks(form: BaseForm) -> dict[str, str]:
    """Parse the digests a form came back with; empty where it carries none."""
    try:
        marks = json.loads(form.data.get(OPENED_WITH) or "{}")
    except ValueError:
        return {}
    return {str(name): str(mark) for name, mark in marks.items()} if isinstance(marks, dict) else {}


def _mark(values: list[str]) -> str:
    return hashlib.sha256(json.dumps(values).encode("utf-8", "surrogatepass")).hexdigest()[:16]


def _rendered(form: BaseForm, name: str) -> Any:
    """Initial value of a field as a browser sends it back."""
    field = form.fields[name]
    value = field.prepare_value(form.get_initial_for_field(field, name))
    return bool(value) if isinstance(field.widget, forms.CheckboxInput) else field.widget.format_value(value)


def _posted(form: BaseForm, name: str) -> Any:
    return form.fields[name].widget.value_from_datadict(form.data, form.files, form.add_prefix(name))


def _canonical(value: Any) -> list[str]:
    """Canonical form of a value, in which a shown and a sent one are equal."""
    if value is None or value is False:
        return []
    values = value if isinstance(value, (list, tuple)) else [value]
    texts = (str(each).replace("\r\n", "\n").strip() for each in values if each is not None)
    return sorted(text for text in texts if text)


def _put(data: QueryDict, name: str, values: list[str]) -> None:
    if values:
        data.setlist(name, values)
    else:
        data.pop(name, None)


def _in_words(form: BaseForm, name: str) -> str:
    """Value of a field as people read it."""
    field, values = form.fields[name], _canonical(_rendered(form, name))
    if isinstance(field.widget, forms.CheckboxInput):
        return "yes" if values else "no"
    labels = {str(key): str(label) for key, label in _choices(field, values)}
    return f"“{', '.join(labels.get(value, value) for value in values)}”" if values else "nothing"


def _ticks(form: BaseForm, name: str, typed: list[str]) -> str:
    """Difference between two long lists of ticked choices, in words."""
    field, values = form.fields[name], _canonical(_rendered(form, name))
    labels = {str(key): str(label) for key, label in _choices(field, [*values, *typed])}
    more = [f"“{labels.get(value, value)}”" for value in values if value not in typed]
    fewer = [f"“{labels.get(value, value)}”" for value in typed if value not in values]
    parts = [f"{word} {', '.join(some)}" for word, some in (("with", more), ("without", fewer)) if some]
    return f"other ticks ({', '.join(parts)})"


def _choices(field: forms.Field, values: list[str]) -> Iterable[tuple[Any, Any]]:
    if isinstance(field, forms.ModelChoiceField):
        rows = field.queryset.filter(pk__in=values)  # type: ignore[union-attr]
        return [(row.pk, field.label_from_instance(row)) for row in rows]
    return flatten_choices(getattr(field, "choices", ()))
