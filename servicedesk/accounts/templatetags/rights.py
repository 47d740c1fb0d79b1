"""Rights of the signed-in person, as templates ask for them."""

from __future__ import annotations

from django import template

from servicedesk.accounts.models import Role, User

register = template.Library()


@register.filter
def may(user: object, role: str) -> bool:
    """Tell whether the signed-in person's role includes ``role``."""
    return isinstance(user, User) and user.may_act_as(Role(role))
