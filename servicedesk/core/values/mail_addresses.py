"""Mail addresses: validation, and conversion between the readable and the ASCII form.

The domain may be in any script: servers and calendars get its ASCII form (IDNA, RFC 5890), pages
show the readable form. The part before the @ is ASCII, because many mail servers refuse anything else (RFC
6531 is optional).
"""

from __future__ import annotations

from email.utils import formataddr, parseaddr
from typing import Any

from django import forms
from django.conf import settings
from django.core.checks import CheckMessage, Error, register
from django.core.exceptions import ValidationError
from django.core.validators import validate_email
from django.utils.encoding import punycode

LOCAL_PART = (
    "The part before the @ has a letter that many mail servers refuse: use a–z, digits, dots and hyphens "
    "there, or ask for another address."
)


def check_address(value: str) -> None:
    """Validator that refuses an address no mail can be sent to, with the reason."""
    local, _, domain = value.rpartition("@")
    if local and not local.isascii():
        raise ValidationError(LOCAL_PART)
    try:
        validate_email(value)
        punycode(domain)
    except (ValidationError, UnicodeError) as error:
        raise ValidationError(f"“{value}” is no mail address: write it like name@example.org.") from error


class MailField(forms.EmailField):
    """Form field of a mail address. Browsers send the ASCII form of a domain; the readable one is stored."""

    default_validators = [check_address]

    def clean(self, value: Any) -> Any:
        """Validate an address and return its readable form."""
        return readable_address(super().clean(value))


def ascii_address(address: str) -> str:
    """Address with the ASCII form of its domain."""
    local, _, domain = address.rpartition("@")
    try:
        return f"{local}@{punycode(domain)}"
    except UnicodeError as error:
        raise ValueError(f"{address!r} is no mail address: write it like name@example.org.") from error


def readable_address(address: str) -> str:
    """Address with the domain in its own script, where its ASCII form stands for one."""
    local, at, domain = address.rpartition("@")
    try:
        readable = domain.encode("ascii").decode("idna")
        return f"{local}{at}{readable}" if punycode(readable) == domain.lower() else address
    except UnicodeError:
        return address


def sender() -> tuple[str, str]:
    """Sender's name and address; the company's name where the setting has none."""
    name, address = parseaddr(settings.MAIL_FROM_ADDRESS)
    return name or settings.COMPANY_NAME, address


def sender_line() -> str:
    """Sender's name and address as a mail header (From)."""
    name, address = sender()
    return formataddr((name, ascii_address(address)))


@register()
def check_settings(**_: object) -> list[CheckMessage]:
    """System check of the settings that must be mail addresses."""
    wanted = {"MAIL_FROM_ADDRESS": settings.MAIL_FROM_ADDRESS, "ERROR_REPORT_TO": settings.ERROR_REPORT_TO}
    return [
        Error(
            f"{name} is {value!r}, which is no mail address.",
            hint="Write it like office@example.org or Porch Office <office@example.org>.",
            id="servicedesk.E001",
        )
        for name, value in wanted.items()
        if (value or name == "MAIL_FROM_ADDRESS") and not is_address(parseaddr(value)[1])
    ]


def is_address(value: str) -> bool:
    """Return whether mail can be sent to an address."""
    try:
        check_address(value)
    except ValidationError:
        return False
    return True
