"""Signed links in messages: a visit's page, the e-mail preference, and choosing a password."""

from __future__ import annotations

from dataclasses import dataclass

from django.conf import settings
from django.contrib.auth.tokens import default_token_generator
from django.core import signing
from django.urls import reverse

from servicedesk.accounts.models import User

VISIT_SALT, OPT_OUT_SALT = "notifications.visit", "notifications.opt-out"
VALID_SECONDS = 60 * 24 * 3600


@dataclass(frozen=True)
class VisitKey:
    """Which visit a link opens, and for which customer."""

    visit: int
    customer: int


def visit_token(key: VisitKey) -> str:
    """Sign the key of a visit's page; the signature is timestamped, so that it expires."""
    return signing.dumps([key.visit, key.customer], salt=VISIT_SALT)


def read_visit_token(token: str) -> VisitKey | None:
    """Verify and read a token; None where it is not ours or has expired."""
    try:
        visit, customer = signing.loads(token, salt=VISIT_SALT, max_age=VALID_SECONDS)
        return VisitKey(int(visit), int(customer))
    except (signing.BadSignature, ValueError, TypeError, OverflowError):
        return None


def visit_link(key: VisitKey) -> str:
    """URL of a visit's page for its customer."""
    return settings.SITE_URL + reverse("portal:customer_visit", args=[visit_token(key)])


def opt_out_token(customer: int) -> str:
    """Sign a customer's key for the page of the e-mail preference; it does not expire."""
    return signing.Signer(salt=OPT_OUT_SALT).sign(str(customer)).replace(":", "~")


def read_opt_out_token(token: str) -> int | None:
    """Verify and read a token; None where it is not ours."""
    try:
        return int(signing.Signer(salt=OPT_OUT_SALT).unsign(token.replace("~", ":")))
    except (signing.BadSignature, ValueError):
        return None


def opt_out_link(customer: int) -> str:
    """URL of the page of a customer's e-mail preference."""
    return settings.SITE_URL + reverse("portal:email_preference", args=[opt_out_token(customer)])


def welcome_link(person: User) -> str:
    """URL at which a person chooses a password; it expires with the choice, or after three days."""
    token = default_token_generator.make_token(person)
    return settings.SITE_URL + reverse("accounts:welcome", args=[person.pk, token])
