"""Operations on accounts, roles, sessions and MFA."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from django.contrib.auth.models import Group
from django.contrib.auth.password_validation import validate_password

from servicedesk.accounts.codes import matching_counter
from servicedesk.accounts.models import MfaDevice, Role, User, UserSession
from servicedesk.core.database.on_commit import enqueue_on_commit
from servicedesk.core.history import shown_values, stored_values, write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation

A_MINUTE = timedelta(minutes=1)
WRONG_CODE = (
    "That is not the code that is shown now. Wait for the next one, and see that the phone’s clock is right."
)


def set_role(user: User, *, role: Role) -> None:
    """Make ``role`` the only role of a user."""
    group, _ = Group.objects.get_or_create(name=role.value)
    user.groups.set([group])
    user.__dict__.pop("role", None)


def add_person(
    username: str, *, name: str, role: Role, password: str, email: str = "", by: User | None, at: datetime
) -> User:
    """Add a user with a password."""
    with atomic_operation():
        user = User(username=username, name=name, email=email)
        validate_password(password, user)
        user.set_password(password)
        user.full_clean()
        user.save()
        set_role(user, role=role)
        write_change(user, action=f"added as {role.label.lower()}", by=by, at=at)
    return user


def invite_person(username: str, *, name: str, email: str, role: Role, by: User, at: datetime) -> User:
    """Add a user and mail an invitation to choose a password; until then they can't sign in."""
    with atomic_operation():
        user = User(username=username, name=name, email=email)
        user.set_unusable_password()
        user.full_clean()
        user.save()
        set_role(user, role=role)
        write_change(user, action=f"added as {role.label.lower()}", by=by, at=at)
        invite_again(user, by=by, at=at)
    return user


def invite_again(user: User, *, by: User, at: datetime) -> None:
    """Mail another invitation to choose a password; earlier links end once a password is chosen.

    Requested twice within a minute, as by a form sent twice, it is sent once.
    """
    with atomic_operation():
        user = User.objects.select_for_update().get(pk=user.pk)
        if not user.email:
            raise RuleViolation("There is no e-mail address to send the link to: enter it first.")
        if not user.is_active:
            raise RuleViolation(f"{user.name} is not active: make the account active first.")
        if user.invited_at is not None and timedelta(0) <= at - user.invited_at < A_MINUTE:
            return
        user.invited_at, user.invitations = at, user.invitations + 1
        user.save(update_fields=["invited_at", "invitations"])
        write_change(user, action="asked by e-mail to choose a password", by=by, at=at)
        enqueue_on_commit("schedules.send_notifications")


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
    """Change a user's name, phone, mail, role or whether they may sign in; their records stay as they are."""
    with atomic_operation():
        if user.pk == by.pk and (role != Role.OWNER or not is_active):
            raise RuleViolation(
                "Ask another owner to take your own rights away, so that somebody can still sign in."
            )
        before = stored_values(user)
        was = user.role
        user.name, user.phone, user.email, user.is_active = name, phone, email, is_active
        user.full_clean()
        user.save()
        set_role(user, role=role)
        if not is_active:
            UserSession.objects.filter(user=user).delete()
        action = f"changed; now {role.label.lower()}" if was != role else "changed"
        write_change(user, action=action, by=by, at=at, before=before, after=shown_values(user))
    return user


def set_password(user: User, *, password: str, by: User, at: datetime) -> None:
    """Set a user's password, which ends all their sessions."""
    with atomic_operation():
        validate_password(password, user)
        user.set_password(password)
        user.invited_at = None
        user.save(update_fields=["password", "invited_at"])
        chosen = "chose a password" if by.pk == user.pk else "given a new password"
        write_change(user, action=chosen, by=by, at=at)


def end_user_sessions(user: User, user_sessions: Iterable[UserSession], *, by: User, at: datetime) -> int:
    """End sessions of a user, and return how many; records that wait on a phone stay there."""
    with atomic_operation():
        ended = [user_session for user_session in user_sessions if user_session.user_id == user.pk]
        UserSession.objects.filter(pk__in=[user_session.pk for user_session in ended]).delete()
        for user_session in ended:
            write_change(user, action=f"signed out of a {user_session}", by=by, at=at)
    return len(ended)


def begin_mfa(user: User, *, secret: str, code: str, at: datetime) -> MfaDevice:
    """Turn MFA on for a user, once they proved that their app makes the right codes."""
    with atomic_operation():
        counter = matching_counter(secret, code, at=at)
        if counter is None:
            raise RuleViolation({"code": [WRONG_CODE]})
        step = MfaDevice(user=user, secret=secret, since=at, last_counter=counter)
        step.full_clean()
        step.save()
        write_change(user, action="signs in with a code from now on", by=user, at=at)
    return step


def end_mfa(user: User, *, by: User | None, at: datetime) -> None:
    """Turn MFA off for a user."""
    with atomic_operation():
        gone, _ = MfaDevice.objects.filter(user=user).delete()
        if gone:
            write_change(user, action="signs in without a code from now on", by=by, at=at)


def take_code(user: User, *, code: str, at: datetime) -> None:
    """Accept the TOTP code of a sign-in; each is good once.

    Raises `RuleViolation` where it is wrong, or was used before.
    """
    with atomic_operation():
        step = MfaDevice.objects.select_for_update().filter(user=user).first()
        counter = matching_counter(step.secret, code, at=at) if step else None
        if step is None or counter is None or counter <= step.last_counter:
            raise RuleViolation({"code": [WRONG_CODE]})
        step.last_counter = counter
        step.save(update_fields=["last_counter"])
