"""Delivery of the queued messages, each once.

The lease of each message is taken just before it is handed over (one conditional UPDATE, so that of two
senders one gets it), and the message is marked as sent under the same lease. Between the two the process can
die: then the lease runs out, the message is sent again with the same Message-ID, and mail programs show it
once. A lease is for one message, so a run may take as long as it likes; the mail server has `EMAIL_TIMEOUT`
for each of its answers, far less than the lease.
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

from schedules.models import EmailPreference, Notification, NotificationKind
from schedules.notifications.links import opt_out_link
from schedules.notifications.render import Filled, fill_in
from servicedesk.core.logs.formatting import describe
from servicedesk.core.values.mail_addresses import is_address, sender, sender_line

log = logging.getLogger(__name__)

AT_ONCE = 20
LEASE_DURATION = timedelta(minutes=5)
MOST_TRIES = 10
LONGEST_PAUSE = timedelta(hours=6)
OPTIONAL = (NotificationKind.OWN_MAINTENANCE, NotificationKind.AHEAD)


def send_due_notifications(*, at: datetime) -> int:
    """Send all messages that are due; return how many were sent. Without a mail server they wait."""
    if not settings.EMAIL_BACKEND:
        return 0
    mail, sent = get_connection(), 0
    try:
        while keys := _due(at):
            for key in keys:
                if why := _why_nothing_goes(mail):
                    Notification.objects.filter(stage=Notification.Stage.WAITING, next_try_at__lte=at).update(
                        why=why
                    )
                    return sent
                notification = _claim(key, at=at)
                sent += notification is not None and _send(notification, mail)
    finally:
        _close(mail)
    return sent


def _why_nothing_goes(mail: BaseEmailBackend) -> str:
    """Open the mail connection where it is closed; return why no message at all can be sent, or ""."""
    if not is_address(sender()[1]):
        return "the address that messages come from is none: correct MAIL_FROM_ADDRESS in the settings"
    try:
        mail.open()
    except OSError as error:
        log.warning("the mail server can't be reached: %s", describe(error))
        return f"the mail server can’t be reached: {error}"[:240]
    return ""


def _close(mail: BaseEmailBackend) -> None:
    """Close the mail connection; ignore errors of a server that went away."""
    with suppress(OSError):
        mail.close()


def _free(at: datetime) -> Q:
    """Condition of messages whose lease can be taken: due ones that wait, and expired leases."""
    return Q(stage=Notification.Stage.WAITING, next_try_at__lte=at) | Q(
        stage=Notification.Stage.SENDING, lease_until__lt=timezone.now()
    )


def _due(at: datetime) -> list[int]:
    """Keys of the next messages to send; another sender may lease some of them first."""
    first = Notification.objects.filter(_free(at)).order_by("next_try_at", "pk")
    return list(first.values_list("pk", flat=True)[:AT_ONCE])


def _claim(key: int, *, at: datetime) -> Notification | None:
    """Conditional update that takes the lease of a message; None where another sender was first.

    The lease begins now, whenever the run began.
    """
    claim = uuid4()
    free = Notification.objects.filter(_free(at), pk=key)
    if not free.update(
        stage=Notification.Stage.SENDING,
        claim=claim,
        lease_until=timezone.now() + LEASE_DURATION,
        tries=F("tries") + 1,
    ):
        return None
    return Notification.objects.select_related("customer", "person").get(pk=key)


def _send(notification: Notification, mail: BaseEmailBackend) -> bool:
    """Send one message, or record why not; return whether it was sent."""
    if why := why_withheld(notification):
        _mark(notification, stage=Notification.Stage.WITHHELD, why=why)
        return False
    if not is_address(_address(notification)):
        _mark(
            notification,
            stage=Notification.Stage.FAILED,
            why="the mail address is none: correct it, then try again",
        )
        return False
    try:
        filled = fill_in(notification)
        message = _message(notification, filled)
    except Exception:
        log.exception("letter %s could not be written", notification.pk)
        _mark(
            notification,
            stage=Notification.Stage.FAILED,
            why="It could not be written; the server log says why.",
        )
        return False
    try:
        mail.send_messages([message])
    except OSError as error:  # smtplib's errors are OSErrors
        _close(mail)  # the next message gets a fresh connection, whatever became of this one
        _put_off(notification, error)
        return False
    except ValueError as error:  # what Django says of an address or a header it can't write
        _close(mail)
        log.error("letter %s could not be put into a mail: %s", notification.pk, describe(error))
        _mark(
            notification,
            stage=Notification.Stage.FAILED,
            why="It could not be put into an e-mail; the server log says why.",
        )
        return False
    return _mark(
        notification,
        stage=Notification.Stage.SENT,
        sent_at=timezone.now(),
        sent_to=_address(notification),
        title=filled.title[:200],
        body=filled.stored,
        why="",
    )


def why_withheld(notification: Notification) -> str:
    """Reason why a message may not be sent; "" where it may."""
    if not _address(notification):
        return "no mail address: " + (
            "telephone" if notification.customer else "an owner gives one on the page People"
        )
    if notification.customer is None:
        return ""
    email_preference = EmailPreference.objects.filter(customer=notification.customer).first()
    if email_preference is None or email_preference.what == EmailPreference.What.ALL:
        return ""
    if email_preference.what == EmailPreference.What.NOTHING:
        return "the customer wants no mail: telephone"
    return (
        "the customer wants mail about visits only"
        if notification.kind == NotificationKind.OWN_MAINTENANCE
        else ""
    )


def _address(notification: Notification) -> str:
    holder = notification.customer or notification.person
    return holder.email if holder is not None else ""


def _message(notification: Notification, filled: Filled) -> EmailMultiAlternatives:
    """E-mail of a message (RFC 5322), with one-click unsubscribe (RFC 8058) and the calendar part."""
    host = urlsplit(settings.SITE_URL).hostname or "localhost"
    headers = {"Message-ID": f"<{notification.message_id}@{host}>"}
    if notification.customer is not None:
        headers["List-Unsubscribe"] = f"<{opt_out_link(notification.customer.pk)}>"
        headers["List-Unsubscribe-Post"] = "List-Unsubscribe=One-Click"
    message = EmailMultiAlternatives(
        subject=filled.title,
        body=filled.body,
        from_email=sender_line(),
        to=[_address(notification)],
        headers=headers,
    )
    if filled.calendar:
        message.attach_alternative(filled.calendar.decode(), f"text/calendar; method={filled.method}")
    return message


def _put_off(notification: Notification, error: OSError) -> None:
    """Retry later with exponential backoff; fail where the server refuses for good or tries run out."""
    why = _words(error)
    refused = isinstance(error, SMTPRecipientsRefused) and all(
        code >= 500 for code, _ in error.recipients.values()
    )
    if refused or notification.tries >= MOST_TRIES:
        _mark(notification, stage=Notification.Stage.FAILED, why=why)
        return
    pause = min(timedelta(minutes=2 ** (notification.tries - 1)), LONGEST_PAUSE)
    _mark(notification, stage=Notification.Stage.WAITING, why=why, next_try_at=timezone.now() + pause)


def _words(error: OSError) -> str:
    if isinstance(error, SMTPRecipientsRefused):
        return "; ".join(
            f"{code} {text.decode(errors='replace') if isinstance(text, bytes) else text}"
            for code, text in error.recipients.values()
        )[:240]
    return f"the mail server did not take it: {error}"[:240]


def _mark(notification: Notification, **fields: object) -> bool:
    """Conditional update of a message under our lease; return whether the lease was still ours."""
    return bool(
        Notification.objects.filter(
            pk=notification.pk, claim=notification.claim, stage=Notification.Stage.SENDING
        ).update(claim=None, lease_until=None, **fields)
    )
