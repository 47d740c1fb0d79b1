"""Retention: every night, personal data past the period of the settings are deleted."""

from __future__ import annotations

from datetime import datetime, timedelta

from django.conf import settings
from django.contrib.sessions.models import Session
from django.db.models import Q

from schedules.models import Notification
from servicedesk.accounts.models import UserSession
from servicedesk.calls.models import Call, PhoneRecord
from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.imports import operations
from servicedesk.privacy.anonymize import anonymize_callers

AT_ONCE = 500


def apply_retention(*, at: datetime) -> int:
    """Delete or anonymize what is past its retention period; return how many records."""
    return sum(
        (
            _notifications(at),
            _phone_records(at),
            _callers(at),
            _imports(at),
            UserSession.objects.filter(expire_date__lt=at).delete()[0],
            Session.objects.filter(expire_date__lt=at).delete()[0],
        )
    )


def _before(days: int, at: datetime) -> datetime | None:
    """Moment before which data are past their retention; None for unlimited retention."""
    return at - timedelta(days=days) if days > 0 else None


def _notifications(at: datetime) -> int:
    """Delete the text and address of messages; that each was sent, and when, stays."""
    before = _before(settings.KEEP_NOTIFICATIONS_DAYS, at)
    if before is None:
        return 0
    over = Notification.objects.exclude(stage__in=[Notification.Stage.WAITING, Notification.Stage.SENDING])
    old = over.filter(made_at__lt=before).exclude(title="", body="", sent_to="", payload={})
    return old.update(title="", body="", sent_to="", payload={})


def _phone_records(at: datetime) -> int:
    """Delete the bodies of phone records; the records made from them stay."""
    before = _before(settings.KEEP_PHONE_RECORDS_DAYS, at)
    if before is None:
        return 0
    return PhoneRecord.objects.filter(received_at__lt=before).exclude(payload={}).update(payload={})


def _callers(at: datetime) -> int:
    """Anonymize the callers of calls that were closed long ago."""
    before = _before(settings.KEEP_CALLERS_DAYS, at)
    if before is None:
        return 0
    old = Call.objects.filter(closed_at__lt=before).exclude(reported_by="", phone="")
    keys, gone = list(old.order_by("pk").values_list("pk", flat=True)), 0
    for start in range(0, len(keys), AT_ONCE):
        with atomic_operation():  # locked and queried again: another process may anonymize the same
            rows = old.filter(pk__in=keys[start : start + AT_ONCE]).order_by("pk").select_for_update()
            calls = list(rows)
            anonymize_callers(calls, by=None, at=at)
        gone += len(calls)
    return gone


def _imports(at: datetime) -> int:
    """Discard imports of which nothing was applied."""
    before = _before(settings.KEEP_FILES_DAYS, at)
    if before is None:
        return 0
    left = Q(stage=Batch.Stage.REFUSED) | Q(stage=Batch.Stage.CHECKED, check_only=True)
    gone = 0
    for batch in Batch.objects.filter(left, started_at__lt=before):
        try:
            operations.discard_batch(batch)
            gone += 1
        except (RuleViolation, operations.LeaseLost):
            continue  # another process has its lease; another night
    return gone
