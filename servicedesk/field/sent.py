"""A record as a phone sent it, the result of storing it, and the records it names."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping
from dataclasses import dataclass, field
from datetime import datetime
from typing import Any
from uuid import UUID

from schedules.models import Visit
from servicedesk.calls.models import Call, Finding
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.typed import read_key
from servicedesk.field.phone_clock import Recorded, read_clock
from servicedesk.field.phone_json import Unreadable, read_json
from units.models import Site, Unit

NO_RECORD = "This is no record of a phone."
Body = Mapping[str, Any]


@dataclass(frozen=True)
class Sent:
    """Phone record: its key, its body, when it was made, whether it is left to the office."""

    key: UUID
    kind: str
    body: Body
    made: Recorded
    settle: bool
    fingerprint: str

    def day(self, name: str) -> str:
        """Day in a field of the record, by our clock."""
        return self.made.reported_day(self.body.get(name))

    def text(self, name: str) -> str:
        """Value of a field of the record, as a form takes it."""
        value = self.body.get(name)
        return "" if value is None else str(value)


@dataclass(frozen=True)
class Made:
    """Result of a phone record: in words, what photos of it belong to, and what the office should check."""

    words: str
    visit: Visit | None
    unit: Unit | None = None
    finding: Finding | None = None
    site: Site | None = None
    look_at: list[str] = field(default_factory=list)


def read_sent(body: bytes, *, at: datetime) -> Sent:
    """Parse the envelope of a record received ``at``; its kind is not checked.

    The fingerprint covers what was recorded. When it was sent, and whether it is left to the office, change
    from attempt to attempt and are no part of it.
    """
    frame = read_json(body)
    try:
        key = UUID(str(frame["key"]))
    except (ValueError, KeyError) as error:
        raise Unreadable(NO_RECORD) from error
    if not isinstance(frame.get("kind"), str) or not isinstance(frame.get("body"), dict):
        raise Unreadable(NO_RECORD)
    content = {"key": str(key), **{name: frame.get(name) for name in ("kind", "made_at", "body")}}
    made = read_clock(
        made_at=frame.get("made_at"),
        sent_at=frame.get("sent_at"),
        made_on=frame.get("made_on"),
        at=at,
    )
    return Sent(
        key=key,
        kind=frame["kind"],
        body=frame["body"],
        made=made,
        settle=frame.get("settle") is True,
        fingerprint=hashlib.sha256(json.dumps(content, sort_keys=True).encode()).hexdigest(),
    )


def unit_of(body: Body) -> Unit:
    """Unit of a record."""
    unit = Unit.objects.select_related("construction", "site").filter(pk=number_of(body, "unit")).first()
    if unit is None:
        raise RuleViolation("That unit is not here any more.")
    return unit


def visit_of(body: Body) -> Visit | None:
    """Visit on which a record was made, if it names one."""
    if not body.get("visit"):
        return None
    return Visit.objects.select_related("site").filter(pk=number_of(body, "visit")).first()


def call_of(body: Body) -> Call | None:
    """Call of a record, if it names one; a call closed meanwhile is the same call."""
    if not body.get("call"):
        return None
    call = Call.objects.filter(pk=number_of(body, "call")).first()
    return None if call is None or call.state == Call.State.CANCELLED else call


def number_of(body: Body, name: str) -> int:
    """Primary key of a record that must be named."""
    key = read_key(body.get(name))
    if key is None:
        raise RuleViolation(f"This record says no {name}.")
    return key
