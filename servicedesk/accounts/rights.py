"""Access control: every page is closed until its view names a role."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import Any, cast

from django.core.exceptions import PermissionDenied
from django.http import HttpRequest, HttpResponseBase

from servicedesk.accounts.models import Role, User

View = Callable[..., HttpResponseBase]


def user_of(request: HttpRequest) -> User:
    """Signed-in user of a request that a role check has already let in."""
    return cast(User, request.user)


def open_to(role: Role) -> Callable[[View], View]:
    """Decorator that opens a view to users whose role includes ``role``; everyone else is refused."""

    def wrap(view: View) -> View:
        @wraps(view)
        def guarded(request: HttpRequest, *args: Any, **kwargs: Any) -> HttpResponseBase:
            if not user_of(request).may_act_as(role):
                raise PermissionDenied
            return view(request, *args, **kwargs)

        guarded.opens_to = role  # type: ignore[attr-defined]  # read by the test of every URL
        return guarded

    return wrap


technicians = open_to(Role.TECHNICIAN)
schedulers = open_to(Role.SCHEDULER)
owners = open_to(Role.OWNER)
