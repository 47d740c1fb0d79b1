"""Sending what is on the queue, each letter once.

Each letter is claimed just before it is handed over (one conditional UPDATE, so that of two senders one gets
it) and marked as sent under the same claim. Between the two the process can die: then the lease runs out, the
letter is sent again with the same Message-ID, and mail programs show it once. A lease is for one letter, so a
run may take as long as it likes; the mail server has `EMAIL_TIMEOUT` for each of its answers, far less than
the lease.
"""

from __future__ import annotations

import logging
from contextlib import suppress
from datetime import datetime, timedelta
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
from schedules.models import EmailPreference, Letter, LetterKind
from servicedesk.logs import told
from servicedesk.mail_addresses import is_address, sender, sender_line

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
    mail, sent = get_connection(), 0
    try:
        while keys := _due(at):
            for key in keys:
                if why := _why_nothing_goes(mail):
                    Letter.objects.filter(stage=Letter.Stage.WAITING, next_try_at__lte=at).update(why=why)
                    return sent
                letter = _claim(key, at=at)
                sent += letter is not None and _send(letter, mail)
    finally:
        _close(mail)
    return sent


def _why_nothing_goes(mail: BaseEmailBackend) -> str:
    """Connect to the mail server where that is not done; answer why no letter at all can be sent, if so."""
    if not is_address(sender()[1]):
        return "the address that letters come from is none: correct MAIL_FROM_ADDRESS in the settings"
    try:
        mail.open()
    except OSError as error:
        log.warning("the mail server can't be reached: %s", told(error))
        return f"the mail server can’t be reached: {error}"[:240]
    return ""


def _close(mail: BaseEmailBackend) -> None:
    """End the talk with the mail server; one that went away has ended it already."""
    with suppress(OSError):
        mail.close()


def _free(at: datetime) -> Q:
    """Say which letters anybody may claim: those that wait, and those whose sender died."""
    return Q(stage=Letter.Stage.WAITING, next_try_at__lte=at) | Q(
        stage=Letter.Stage.SENDING, lease_until__lt=timezone.now()
    )


def _due(at: datetime) -> list[int]:
    """List the next letters to send; another sender may be quicker with some of them."""
    first = Letter.objects.filter(_free(at)).order_by("next_try_at", "pk")
    return list(first.values_list("pk", flat=True)[:AT_ONCE])


def _claim(key: int, *, at: datetime) -> Letter | None:
    """Take a letter for oneself; None where somebody else was quicker.

    The lease begins now, whenever the run began.
    """
    claim = uuid4()
    free = Letter.objects.filter(_free(at), pk=key)
    if not free.update(
        stage=Letter.Stage.SENDING, claim=claim, lease_until=timezone.now() + LEASE, tries=F("tries") + 1
    ):
        return None
    return Letter.objects.select_related("customer", "person").get(pk=key)


def _send(letter: Letter, mail: BaseEmailBackend) -> bool:
    """Send one letter, or say why not."""
    if why := why_withheld(letter):
        _mark(letter, stage=Letter.Stage.WITHHELD, why=why)
        return False
    if not is_address(_address(letter)):
        _mark(letter, stage=Letter.Stage.FAILED, why="the mail address is none: correct it, then try again")
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
        _close(mail)  # the next letter gets a fresh connection, whatever became of this one
        _put_off(letter, error)
        return False
    except ValueError as error:  # what Django says of an address or a header it can't write
        _close(mail)
        log.error("letter %s could not be put into a mail: %s", letter.pk, told(error))
        _mark(
            letter,
            stage=Letter.Stage.FAILED,
            why="It could not be put into a mail; the log of the desk says why.",
        )
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
    email_preference = EmailPreference.objects.filter(customer=letter.customer).first()
    if email_preference is None or email_preference.what == EmailPreference.What.ALL:
        return ""
    if email_preference.what == EmailPreference.What.NOTHING:
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
        from_email=sender_line(),
        to=[_address(letter)],
        headers=headers,
    )
    if filled.calendar:
        message.attach_alternative(filled.calendar.decode(), f"text/calendar; method={filled.method}")
    return message


def _put_off(letter: Letter, error: OSError) -> None:
    """Try again later, each time after twice as long; what the server refuses for good fails."""
    why = _words(error)
    refused = isinstance(error, SMTPRecipientsRefused) and all(
        code >= 500 for code, _ in error.recipients.values()
    )
    if refused or letter.tries >= MOST_TRIES:
        _mark(letter, stage=Letter.Stage.FAILED, why=why)
        return
    pause = min(timedelta(minutes=2 ** (letter.tries - 1)), LONGEST_PAUSE)
    _mark(letter, stage=Letter.Stage.WAITING, why=why, next_try_at=timezone.now() + pause)


def _words(error: OSError) -> str:
    if isinstance(error, SMTPRecipientsRefused):
        return "; ".join(
            f"{code} {text.decode(errors='replace') if isinstance(text, bytes) else text}"
            for code, text in error.recipients.values()
        )[:240]
    return f"the mail server did not take it: {error}"[:240]


def _mark(letter: Letter, **fields: object) -> bool:
    """Say what became of a letter, if it is still ours."""
    return bool(
        Letter.objects.filter(pk=letter.pk, claim=letter.claim, stage=Letter.Stage.SENDING).update(
            claim=None, lease_until=None, **fields
        )
    )
