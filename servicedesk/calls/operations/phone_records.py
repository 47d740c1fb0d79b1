"""Operation on phone records that the office has to settle."""

from __future__ import annotations

from datetime import datetime

from servicedesk.accounts.models import User
from servicedesk.calls.models import PhoneRecord
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import atomic_operation


def see_record(record: PhoneRecord, *, by: User, at: datetime) -> None:
    """Mark a record as seen by the office; done twice, the second changes nothing."""
    with atomic_operation():
        if PhoneRecord.objects.filter(pk=record.pk, seen_at=None).update(seen_at=at):
            about = record.finding or record.unit or record.site or record
            write_change(about, action=f"settled: {record.look_at}", by=by, at=at)
