"""Template tags and filters used on every page."""

from __future__ import annotations

from django import template
from django.forms import BoundField
from django.utils.html import format_html

from servicedesk.core.values import words
from servicedesk.core.values.phones import dialed

register = template.Library()


@register.filter
def phone_link(number: str, shown: object = "") -> str:
    """Telephone number as a link that dials it; one without digits as plain text."""
    dials = dialed(number)
    return format_html('<a href="tel:{}">{}</a>', dials, shown or number) if dials else str(shown or number)


@register.filter
def mail_address(address: str) -> str:
    """Mail address with a possible line break after its @, for where it is longer than its space."""
    before, at, behind = address.partition("@")
    return format_html("{}{}<wbr>{}", before, at, behind)


@register.filter
def phone_button(number: str) -> str:
    """Telephone number as a button that dials it; one without digits as plain text."""
    dials = dialed(number)
    return (
        format_html('<a class="button plain" href="tel:{}">Call {}</a>', dials, number) if dials else number
    )


@register.filter
def count(number: float | None, noun: str) -> str:
    """Number with its noun; the plural is given after a comma where it is not formed with s."""
    one, _, many = noun.partition(",")
    return words.count(number or 0, one, many)


@register.filter
def rounded(number: float | None) -> int:
    """Round a number to a whole one."""
    return round(number or 0)


@register.filter
def sentence(text: object) -> str:
    """Text ended with one full stop."""
    return words.sentence(str(text))


@register.filter
def every(number: int | None, noun: str) -> str:
    """Interval in words: every month, every 6 months."""
    return words.every(number or 0, noun)


@register.filter
def subject(change: object) -> str:
    """Name of the record that a line of history is about."""
    from servicedesk.core.history import name_of
    from servicedesk.core.models import Change

    return f"{name_of(change.subject)} {change.subject_id}" if isinstance(change, Change) else ""


@register.inclusion_tag("components/field.html")
def field(bound: BoundField, hint: str = "") -> dict[str, object]:
    """Render one form field: label, help, control, and its errors beside it."""
    errors = f"{bound.id_for_label}_errors" if bound.errors else ""
    help_ = f"{bound.id_for_label}_help" if (hint or bound.help_text) else ""
    described = " ".join(word for word in (help_, errors) if word)
    attrs: dict[str, str | bool] = {"aria-describedby": described} if described else {}
    if bound.errors:
        attrs["aria-invalid"] = "true"
    return {
        "bound": bound,
        "control": bound.as_widget(attrs=attrs),
        "hint": hint or bound.help_text,
        "help_id": help_,
        "errors_id": errors,
        "kind": bound.widget_type,
    }
