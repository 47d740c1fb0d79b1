"""Model and form fields of lengths (exact millimeters inside) and form field of temperatures."""

from __future__ import annotations

from decimal import Decimal
from typing import Any

from django import forms
from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models

from units.lengths import LengthError, format_length, parse_length
from units.temperatures import TemperatureError, format_temperature, parse_temperature, unit_beside

LONGEST = 40
"""Characters of a typed length or temperature."""


class LengthInput(forms.CharField):
    """A typed length such as ``35 7/8``, ``2' 11 7/8"`` or ``911 mm``; cleans to millimeters."""

    def __init__(self, **kwargs: Any) -> None:
        kwargs.pop("max_length", None)  # it would count the characters of a number
        super().__init__(**kwargs)
        self.max_length = LONGEST
        self.widget.attrs.setdefault("maxlength", str(LONGEST))
        self.widget.attrs.setdefault("autocomplete", "off")

    def prepare_value(self, value: Any) -> Any:
        """Show a stored length in the unit of the settings."""
        return format_length(value, unit=settings.LENGTH_UNIT) if isinstance(value, Decimal) else value

    def to_python(self, value: Any) -> Any:
        """Parse a typed length; refuse nonsense with the reason."""
        text = super().to_python(value)
        if not text:
            return None
        if len(text) > LONGEST:
            raise ValidationError(f"A length takes at most {LONGEST} characters: shorten it.", code="invalid")
        try:
            return parse_length(text, unit=settings.LENGTH_UNIT)
        except LengthError as error:
            raise ValidationError(str(error), code="invalid") from error

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare lengths, not spellings."""
        try:
            return bool(initial != self.to_python(data))
        except ValidationError:
            return True


class LengthField(models.DecimalField):
    """A length in millimeters, exact to a millionth (every 1/64 in is exact)."""

    def __init__(self, verbose_name: str | None = None, **kwargs: Any) -> None:
        kwargs["max_digits"], kwargs["decimal_places"] = 10, 6
        super().__init__(verbose_name, **kwargs)

    def deconstruct(self) -> Any:
        name, path, args, kwargs = super().deconstruct()
        del kwargs["max_digits"], kwargs["decimal_places"]
        return name, path, args, kwargs

    def formfield(self, **kwargs: Any) -> Any:
        """Form field in which lengths are typed as people write them."""
        return models.Field.formfield(self, form_class=LengthInput, **kwargs)


class TemperatureInput(forms.CharField):
    """A typed temperature, in the unit that goes with the settings' unit of length; cleans to Celsius."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=LONGEST, required=False, **kwargs)
        self.widget.attrs["autocomplete"] = "off"

    def prepare_value(self, value: Any) -> Any:
        """Show a stored temperature in the unit of the settings."""
        unit = unit_beside(settings.LENGTH_UNIT)
        return format_temperature(value, unit=unit) if isinstance(value, Decimal) else value

    def has_changed(self, initial: Any, data: Any) -> bool:
        """Compare with the text that was shown."""
        return bool(str(self.prepare_value(initial) or "") != (data or "").strip())

    def clean(self, value: Any) -> Decimal | None:
        """Parse a typed temperature; refuse one out of range with the reason."""
        text = super().clean(value)
        if not text:
            return None
        try:
            return parse_temperature(text, unit=unit_beside(settings.LENGTH_UNIT))
        except TemperatureError as error:
            raise ValidationError(str(error), code="invalid") from error
