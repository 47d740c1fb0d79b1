"""Idempotency keys: a form sent twice makes one record, and the second gets the first one's answer."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from typing import TYPE_CHECKING, cast
from uuid import UUID, uuid4

from django import forms
from django.db import transaction
from django.http import HttpRequest, QueryDict
from django.utils import timezone
from django.utils.crypto import salted_hmac

from servicedesk.core.models import IdempotencyKey
from servicedesk.core.rules.refusals import RuleViolation, apply_or_report

if TYPE_CHECKING:
    from servicedesk.accounts.models import User

OTHER_BODY = (
    "This form was already saved with other entries. Open the saved record to change it, "
    "or start again from an empty form."
)


class IdempotencyKeyForm(forms.Form):
    """A form that carries the idempotency key of the record it will make."""

    idempotency_key = forms.UUIDField(widget=forms.HiddenInput, initial=uuid4)


def fingerprint_of(data: QueryDict) -> str:
    """Keyed digest (HMAC-SHA-256) of the entries of a form."""
    parts = [
        f"{name}={value}"
        for name in sorted(data)
        if name not in {"csrfmiddlewaretoken", "idempotency_key"}
        for value in data.getlist(name)
    ]
    # Keyed: one of the entries may be a first password, which nobody may guess from a stored digest.
    text = "\n".join(parts).encode("utf-8", "surrogatepass")
    return salted_hmac("core.idempotency_keys", text, algorithm="sha256").hexdigest()


def once(key: UUID, *, by: User, at: datetime, data: QueryDict, make: Callable[[], str]) -> str:
    """Run ``make`` for a new key and store the address it returns; else return the stored address.

    Raises `RuleViolation` where the key was used before with other entries or by somebody else.
    """
    mark = fingerprint_of(data)
    with transaction.atomic():
        idempotency_key, new = IdempotencyKey.objects.select_for_update().get_or_create(
            key=key, defaults={"by": by, "at": at, "fingerprint": mark}
        )
        if not new:
            if idempotency_key.by_id != by.pk or idempotency_key.fingerprint != mark:
                raise RuleViolation(OTHER_BODY)
            return idempotency_key.location
        idempotency_key.location = make()
        idempotency_key.save(update_fields=["location"])
        return idempotency_key.location


def _known(request: HttpRequest) -> str | None:
    """Stored address for a form that was saved before, with the same entries and by the same user."""
    try:
        key = UUID(request.POST.get("idempotency_key", ""))
    except ValueError:
        return None
    idempotency_key = IdempotencyKey.objects.filter(key=key, by=cast("User", request.user)).first()
    if idempotency_key is None or idempotency_key.fingerprint != fingerprint_of(request.POST):
        return None
    return idempotency_key.location


def save_idempotent(request: HttpRequest, form: forms.BaseForm, make: Callable[[], str]) -> str | None:
    """Make the record of a posted form once, and return its address.

    ``make`` stores the record and returns its address. None means that there is nothing to redirect to yet:
    the form was not posted, is not valid, or was refused, in which case it carries the reasons.
    """
    if request.method != "POST":
        return None
    # Before validation: the form would find its own first record, and report the code as taken.
    if known := _known(request):
        return known
    where: str | None = apply_or_report(
        form,
        lambda: once(
            form.cleaned_data["idempotency_key"],
            by=cast("User", request.user),
            at=timezone.now(),
            data=request.POST,
            make=make,
        ),
    )
    return where
