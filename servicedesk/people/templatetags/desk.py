"""Small pieces that every page is made of."""

from __future__ import annotations

from django import template
from django.forms import BoundField

register = template.Library()


@register.filter
def may(user: object, role: str) -> bool:
    """Tell whether the signed-in person's role includes ``role``."""
    from servicedesk.people.models import Role, User

    return isinstance(user, User) and user.may_act_as(Role(role))


@register.filter
def subject(change: object) -> str:
    """Name the record that a line of history is about."""
    from servicedesk.people.history import name_of
    from servicedesk.people.models import Change

    return f"{name_of(change.subject)} {change.subject_id}" if isinstance(change, Change) else ""


@register.inclusion_tag("components/field.html")
def field(bound: BoundField, hint: str = "") -> dict[str, object]:
    """Show one form field: label, help, control, and its errors beside it."""
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
