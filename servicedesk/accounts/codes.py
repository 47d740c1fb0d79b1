"""Time-based one-time passwords (TOTP, RFC 6238), made by an app on a phone and checked here."""

from __future__ import annotations

from datetime import datetime

import pyotp

STEP_SECONDS = 30
DIGITS = 6
SLACK = 1  # time steps by which a phone's clock may be off, either way


def new_secret() -> str:
    """Generate a secret of 160 bits, in base 32 as apps read it."""
    return pyotp.random_base32()


def address_of_secret(secret: str, *, name: str, company: str) -> str:
    """Provisioning URI that a QR code carries to the app."""
    return pyotp.TOTP(secret).provisioning_uri(name=name, issuer_name=company)


def matching_counter(secret: str, code: str, *, at: datetime) -> int | None:
    """TOTP time step (RFC 6238) that a code belongs to; None where it is not within the accepted window."""
    now = int(at.timestamp()) // STEP_SECONDS
    maker = pyotp.HOTP(secret, digits=DIGITS)
    plain = "".join(code.split())
    if len(plain) != DIGITS or not plain.isascii() or not plain.isdigit():
        return None
    matches = [step for step in range(now - SLACK, now + SLACK + 1) if maker.verify(plain, step)]
    return matches[0] if matches else None
