"""Signed links in letters: a visit's own page, and the way to get no more letters."""

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
    """Sign the key of a visit's page; the signature carries the moment, from which it runs out."""
    return signing.dumps([key.visit, key.customer], salt=VISIT_SALT)


def read_visit_token(token: str) -> VisitKey | None:
    """Read a token back; None where it is not ours or has run out."""
    try:
        visit, customer = signing.loads(token, salt=VISIT_SALT, max_age=VALID_SECONDS)
        return VisitKey(int(visit), int(customer))
    except (signing.BadSignature, ValueError, TypeError, OverflowError):
        return None


def visit_link(key: VisitKey) -> str:
    """Give the address of a visit's page for its customer."""
    return settings.SITE_URL + reverse("portal:customer_visit", args=[visit_token(key)])


def opt_out_token(customer: int) -> str:
    """Sign a customer's key for the way out of letters; it does not run out."""
    return signing.Signer(salt=OPT_OUT_SALT).sign(str(customer)).replace(":", "~")


def read_opt_out_token(token: str) -> int | None:
    """Read a token back; None where it is not ours."""
    try:
        return int(signing.Signer(salt=OPT_OUT_SALT).unsign(token.replace("~", ":")))
    except (signing.BadSignature, ValueError):
        return None


def opt_out_link(customer: int) -> str:
    """Give the address at which a customer says what they want to get."""
    return settings.SITE_URL + reverse("portal:email_preference", args=[opt_out_token(customer)])


def welcome_link(person: User) -> str:
    """Give the address at which somebody chooses a password; it ends with the choice, or after three days."""
    token = default_token_generator.make_token(person)
    return settings.SITE_URL + reverse("accounts:welcome", args=[person.pk, token])
