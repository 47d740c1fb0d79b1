"""What can be done about people."""

from __future__ import annotations

from datetime import datetime

from django.contrib.auth.models import Group
from django.contrib.auth.password_validation import validate_password

from servicedesk.people.history import shown_values, stored_values, write_change
from servicedesk.people.models import Role, User
from servicedesk.refusals import Refused, one_step


def set_role(user: User, *, role: Role) -> None:
    """Make ``role`` the one role of a person."""
    group, _ = Group.objects.get_or_create(name=role.value)
    user.groups.set([group])
    user.__dict__.pop("role", None)


def add_person(username: str, *, name: str, role: Role, password: str, by: User | None, at: datetime) -> User:
    """Let somebody new sign in."""
    with one_step():
        user = User(username=username, name=name)
        validate_password(password, user)
        user.set_password(password)
        user.full_clean()
        user.save()
        set_role(user, role=role)
        write_change(user, did=f"added as {role.label.lower()}", by=by, at=at)
    return user


def change_person(
    user: User,
    *,
    name: str,
    phone: str,
    email: str,
    role: Role,
    is_active: bool,
    by: User,
    at: datetime,
) -> User:
    """Change somebody's name, phone, mail, role or whether they may sign in; records stay as they are."""
    with one_step():
        if user.pk == by.pk and (role != Role.OWNER or not is_active):
            raise Refused(
                "Ask another owner to take your own rights away, so that somebody can still sign in."
            )
        before = stored_values(user)
        was = user.role
        user.name, user.phone, user.email, user.is_active = name, phone, email, is_active
        user.full_clean()
        user.save()
        set_role(user, role=role)
        did = f"changed; now {role.label.lower()}" if was != role else "changed"
        write_change(user, did=did, by=by, at=at, before=before, after=shown_values(user))
    return user


def set_password(user: User, *, password: str, by: User, at: datetime) -> None:
    """Give somebody a new password."""
    with one_step():
        validate_password(password, user)
        user.set_password(password)
        user.save(update_fields=["password"])
        write_change(user, did="given a new password", by=by, at=at)
