"""Sending what is on the queue, each letter once.

A letter is claimed (one UPDATE, so that of two senders one gets it), handed to the mail server and marked as
sent under the same claim. Between the last two the process can die: then the lease runs out, the letter is
sent again with the same Message-ID, and mail programs show it once.
"""

from __future__ import annotations

import logging
from datetime import datetime, timedelta
from email.utils import formataddr
from smtplib import SMTPRecipientsRefused
from urllib.parse import urlsplit
from uuid import uuid4

from django.conf import settings
from django.core.mail import EmailMultiAlternatives, get_connection
from django.core.mail.backends.base import BaseEmailBackend
from django.db.models import F, Q
from django.utils import timezone

from schedules.letters.filling import Filled, fill_in
from schedules.letters.links import opt_out_link
from schedules.models import Letter, LetterKind, Wishes

log = logging.getLogger(__name__)

AT_ONCE = 20
LEASE = timedelta(minutes=5)
MOST_TRIES = 10
LONGEST_PAUSE = timedelta(hours=6)
OPTIONAL = (LetterKind.OWN_CARE, LetterKind.AHEAD)


def send_due_letters(*, at: datetime) -> int:
    """Send all letters that are due; answer how many were sent. Without a mail server they wait."""
    if not settings.EMAIL_BACKEND:
        return 0
    sent = 0
    while letters := _claim(at):
        mail = get_connection()
        try:
            mail.open()
        except OSError as error:
            for letter in letters:
                _put_off(letter, error, at=at)
            break
        try:
            for letter in letters:
                sent += _send(letter, mail, at=at)
        finally:
            mail.close()
    return sent


def _claim(at: datetime) -> list[Letter]:
    """Take some letters for oneself: those that wait, and those whose sender died."""
    free = Q(stage=Letter.Stage.WAITING, next_try_at__lte=at) | Q(
        stage=Letter.Stage.SENDING, lease_until__lt=at
    )
    claim = uuid4()
    first = Letter.objects.filter(free).order_by("next_try_at", "pk")
    wanted = list(first.values_list("pk", flat=True)[:AT_ONCE])
    if not wanted:
        return []
    Letter.objects.filter(free, pk__in=wanted).update(
        stage=Letter.Stage.SENDING, claim=claim, lease_until=at + LEASE, tries=F("tries") + 1
    )
    held = Letter.objects.filter(claim=claim, stage=Letter.Stage.SENDING)
    return list(held.select_related("customer", "person").order_by("pk"))


def _send(letter: Letter, mail: BaseEmailBackend, *, at: datetime) -> bool:
    """Send one letter, or say why not."""
    if why := why_withheld(letter):
        _mark(letter, stage=Letter.Stage.WITHHELD, why=why)
        return False
    try:
        filled = fill_in(letter)
        message = _message(letter, filled)
    except Exception:
        log.exception("letter %s could not be written", letter.pk)
        _mark(letter, stage=Letter.Stage.FAILED, why="It could not be written; the log of the desk says why.")
        return False
    try:
        mail.send_messages([message])
    except OSError as error:  # smtplib's errors are OSErrors
        _put_off(letter, error, at=at)
        return False
    return _mark(
        letter,
        stage=Letter.Stage.SENT,
        sent_at=timezone.now(),
        sent_to=_address(letter),
        title=filled.title[:200],
        body=filled.kept,
        why="",
    )


def why_withheld(letter: Letter) -> str:
    """Say why a letter may not be sent; "" where it may."""
    if not _address(letter):
        return "no mail address: " + (
            "telephone" if letter.customer else "an owner gives one on the page People"
        )
    if letter.customer is None:
        return ""
    wishes = Wishes.objects.filter(customer=letter.customer).first()
    if wishes is None or wishes.what == Wishes.What.ALL:
        return ""
    if wishes.what == Wishes.What.NOTHING:
        return "the customer wants no mail: telephone"
    return "the customer wants mail about visits only" if letter.kind == LetterKind.OWN_CARE else ""


def _address(letter: Letter) -> str:
    holder = letter.customer or letter.person
    return holder.email if holder is not None else ""


def _message(letter: Letter, filled: Filled) -> EmailMultiAlternatives:
    """Put a letter into a mail (RFC 5322), with the way out in one click (RFC 8058) and the calendar part."""
    host = urlsplit(settings.SITE_URL).hostname or "localhost"
    headers = {"Message-ID": f"<{letter.message_id}@{host}>"}
    if letter.customer is not None:
        headers["List-Unsubscribe"] = f"<{opt_out_link(letter.customer.pk)}>"
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    message = EmailMultiAlternatives(
        subject=filled.title,
        body=filled.body,
        from_email=formataddr((settings.COMPANY_NAME, settings.MAIL_FROM_ADDRESS)),
        to=[_address(letter)],
        headers=headers,
    )
    if filled.calendar:
        message.attach_alternative(filled.calendar.decode(), f"text/calendar; method={filled.method}")
    return message


def _put_off(letter: Letter, error: OSError, *, at: datetime) -> None:
    """Try again later, each time after twice as long; what the server refuses for good fails."""
    told = _words(error)
    refused = isinstance(error, SMTPRecipientsRefused) and all(
        code >= 500 for code, _ in error.recipients.values()
    )
    if refused or letter.tries >= MOST_TRIES:
        _mark(letter, stage=Letter.Stage.FAILED, why=told)
        return
    pause = min(timedelta(minutes=2 ** (letter.tries - 1)), LONGEST_PAUSE)
    _mark(letter, stage=Letter.Stage.WAITING, why=told, next_try_at=at + pause)


def _words(error: OSError) -> str:
    if isinstance(error, SMTPRecipientsRefused):
        return "; ".join(
            f"{code} {text.decode(errors='replace') if isinstance(text, bytes) else text}"
            for code, text in error.recipients.values()
        )[:240]
    return f"the mail server did not take it: {error}"[:240]


def _mark(letter: Letter, **told: object) -> bool:
    """Say what became of a letter, if it is still ours."""
    return bool(
        Letter.objects.filter(pk=letter.pk, claim=letter.claim, stage=Letter.Stage.SENDING).update(
            claim=None, lease_until=None, **told
        )
    )
