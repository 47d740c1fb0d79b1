"""Validation of new values only: a record stored before a rule came can still be changed elsewhere."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from django import forms
from django.core.exceptions import ValidationError
from django.db import models

LONGEST_TEXT: Final = 4_000
"""Longest text of a note, a message, or what a caller said, in characters."""


def refuse_new(record: models.Model, faults: Mapping[str, str]) -> None:
    """Raise `ValidationError` for fields with a fault ("" for none) whose value is not the stored one."""
    new = {name: [fault] for name, fault in faults.items() if fault and not _was_so(record, name)}
    if new:
        raise ValidationError(new)


def _was_so(record: models.Model, name: str) -> bool:
    """Return whether a field's value is the stored one."""
    if record._state.adding:
        return False
    stored = type(record)._default_manager.filter(pk=record.pk).values_list(name, flat=True).first()
    return _plain(stored) == _plain(getattr(record, name))


def _plain(value: Any) -> Any:
    return value.replace("\r\n", "\n").strip() if isinstance(value, str) else value


def twin_fault(record: models.Model, name: str, *, among: Mapping[str, Any] | None = None) -> str:
    """Fault that names another record with the same name or code but for case and blanks; "" where none has.

    An identical name is left to the database's own constraint.
    """
    text = " ".join(str(getattr(record, name)).split())
    setattr(record, name, text)
    others = type(record)._default_manager.filter(**{f"{name}__iexact": text}, **(among or {}))
    twin = others.exclude(pk=record.pk).exclude(**{name: text}).values_list(name, flat=True).first()
    if twin is None:
        return ""
    return f"“{twin}” is there already, and capitals don't tell two apart: choose another {name}."


def length_fault(text: str, most: int = LONGEST_TEXT) -> str:
    """Fault of a text that is too long; a line break counts once, whichever way a browser sends it."""
    length = len(_plain(text))
    if length <= most:
        return ""
    return f"These are {length:,} characters, and {most:,} are the most here: shorten it."


class LimitedTextInput(forms.CharField):
    """Text area whose text is returned whole with the reason when it is too long.

    The browser is not given the limit, because it would silently cut off what is pasted beyond it.
    """

    def __init__(self, *, max_length: int = LONGEST_TEXT, by_model: bool = False, **kwargs: Any) -> None:
        kwargs.setdefault("widget", forms.Textarea)
        super().__init__(**kwargs)
        self.max_length, self.by_model = max_length, by_model

    def validate(self, value: Any) -> None:
        """Refuse a text that is too long; a model's field is left to the model, which knows the old value."""
        super().validate(value)
        fault = "" if self.by_model else length_fault(value or "", self.max_length or LONGEST_TEXT)
        if fault:
            raise ValidationError(fault, code="max_length")

    def widget_attrs(self, widget: forms.Widget) -> dict[str, Any]:
        """Leave out the browser's own limit."""
        return {}


class LimitedText(models.TextField):
    """TextField with a limit; in the database, and in migrations, it is Django's own field."""

    def __init__(self, *args: Any, most: int = LONGEST_TEXT, **kwargs: Any) -> None:
        super().__init__(*args, **kwargs)
        self.most = most

    def deconstruct(self) -> Any:
        name, _, args, kwargs = super().deconstruct()
        return name, "django.db.models.TextField", args, kwargs

    def clean(self, value: Any, model_instance: models.Model | None) -> Any:
        """Refuse a text beyond the limit, unless it was stored before the limit existed."""
        text = super().clean(value, model_instance)
        fault = length_fault(text or "", self.most)
        if fault and (model_instance is None or not _was_so(model_instance, self.attname)):
            raise ValidationError(fault, code="max_length")
        return text

    def formfield(self, **kwargs: Any) -> Any:
        """Form field with the limit."""
        return models.Field.formfield(
            self, **{"form_class": LimitedTextInput, "max_length": self.most, "by_model": True, **kwargs}
        )
