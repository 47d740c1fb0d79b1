"""Template filters of the signed-in user's rights."""

from __future__ import annotations

from django import template

from servicedesk.accounts.models import Role, User

register = template.Library()


@register.filter
def may(user: object, role: str) -> bool:
    """Return whether the signed-in user's role includes ``role``."""
    return isinstance(user, User) and user.may_act_as(Role(role))
