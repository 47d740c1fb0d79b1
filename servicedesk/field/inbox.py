"""Inbox of phone records: each is stored once, through the operations that the pages use.

A phone keeps a record until it learns that it is stored. So the same record may come several times, also
after an answer that never arrived; the idempotency key the phone gave it makes it one. A record that can't be
stored comes back with the reason and, where there is a choice to make, with the choices. Every such record
can be left to the office instead: it is stored as it was typed, and the office settles it. What nobody at the
site can answer, such as a unit removed meanwhile, goes to the office automatically.
"""

from __future__ import annotations

import logging
from collections.abc import Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass
from datetime import datetime
from typing import Any
from uuid import UUID, uuid5

from schedules.models import Visit
from schedules.operations import tell_schedulers_of_danger
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, PhoneRecord
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.core.values.typed import read_key
from servicedesk.field.finish_records import take_finish
from servicedesk.field.phone_json import Unreadable, shown_on_one_line
from servicedesk.field.records import finding_form, take_finding, take_maintenance, take_no_fault, take_work
from servicedesk.field.sent import Made, Sent, read_sent, unit_of, visit_of
from units.models import FailureMode, Site, Unit

OTHER_BODY = "A record with this key came before with other contents. Make it again as a new one."
UNKNOWN_KIND = "The office does not know this kind of record: reload the page on the phone."
IN_TROUBLE = "The office could not read this record: enter it by hand, and tell whoever looks after this app."
LOG = logging.getLogger(__name__)
DAYS = {"found_on", "done_on", "inspected_on", "on"}
"""Fields that nobody fills in at the site: faults in them are left to the office."""
MOST_LOOK_AT = 400

KINDS: Mapping[str, Callable[..., Made]] = {
    "finding": take_finding,
    "fine": take_no_fault,
    "work": take_work,
    "care": take_maintenance,
    "finish": take_finish,
}


@dataclass(frozen=True)
class Answer:
    """Response to the phone: an HTTP status and a body."""

    status: int
    body: dict[str, Any]


def take_in(body: bytes, *, by: User, at: datetime) -> Answer:
    """Store one record; the same again gets the first answer."""
    try:
        sent = read_sent(body, at=at)
    except Unreadable as error:
        return Answer(400, {"state": "unreadable", "words": str(error)})
    existing = PhoneRecord.objects.filter(key=sent.key).first()
    if existing is None:
        try:
            return _take(sent, by=by)
        except Exception as error:
            if not isinstance(error, RuleViolation) and not sent.settle:
                raise
            refusal = error if isinstance(error, RuleViolation) else _in_trouble(error)
            existing = PhoneRecord.objects.filter(key=sent.key).first()  # the same came twice at once
            if existing is None:
                return _refused(sent, refusal, by=by)
    if existing.by_id != by.pk or existing.fingerprint != sent.fingerprint:
        return _same_key(sent, by=by)
    return Answer(200, existing.answer)


def _in_trouble(error: Exception) -> RuleViolation:
    """Log an unexpected error; the record is stored for the office all the same."""
    LOG.error("a record left to the office could not be taken", exc_info=error)
    return RuleViolation(IN_TROUBLE)


def _take(sent: Sent, *, by: User) -> Answer:
    """Store a record through the operation of its kind."""
    if sent.kind not in KINDS:
        if sent.settle:
            return _leave_to_office(sent, sent.key, why=UNKNOWN_KIND, by=by)
        return Answer(400, {"state": "unreadable", "words": UNKNOWN_KIND})
    with atomic_operation():
        made = KINDS[sent.kind](sent, by=by)
        words = f"{made.words} ({sent.made.words})" if sent.made.words else made.words
        answer = {"state": "received", "words": shown_on_one_line(words)}
        _keep(sent, sent.key, answer, made, look_at=[*_overtaken(sent, made), *made.look_at], by=by)
    return Answer(200, answer)


def _refused(sent: Sent, refusal: RuleViolation, *, by: User) -> Answer:
    """Return the question to the phone, or leave a record to the office where no phone can answer it."""
    words = shown_on_one_line(str(refusal))
    if sent.settle or set(refusal.reasons) <= DAYS:
        return _leave_to_office(sent, sent.key, why=words, by=by)
    return Answer(422, {"state": "needs answer", "words": words, **_choices(sent, refusal)})


def _same_key(sent: Sent, *, by: User) -> Answer:
    """Report a key that was used before; left to the office, the record is stored under a key of its own."""
    if not sent.settle:
        return Answer(422, {"state": "needs answer", "words": OTHER_BODY})
    key = uuid5(sent.key, f"{by.pk} {sent.fingerprint}")
    existing = PhoneRecord.objects.filter(key=key).first()
    if existing is not None:
        return Answer(200, existing.answer)
    return _leave_to_office(sent, key, why=OTHER_BODY, by=by)


def _leave_to_office(sent: Sent, key: UUID, *, why: str, by: User) -> Answer:
    """Store a record as it was typed, for the office to settle; notify schedulers of a danger at once."""
    made = _about(sent)
    answer = {"state": "received", "words": f"left to the office: {why}", "left": True}
    with atomic_operation():
        record = _keep(sent, key, answer, made, look_at=[why], by=by)
        about = made.unit or made.visit or made.site or record
        write_change(about, action="record of a phone left to the office", by=by, at=sent.made.received_at)
        if made.unit is not None and sent.body.get("severity") == Finding.Severity.DANGER:
            mode = FailureMode.objects.filter(pk=read_key(sent.body.get("mode")) or 0).first()
            tell_schedulers_of_danger(
                made.unit,
                subject="phonerecord",
                subject_id=record.pk,
                danger=mode.full_name if mode else "see the record on the office’s page Today",
                made_safe=sent.text("made_safe_how"),
                by=by,
                at=sent.made.received_at,
            )
    return Answer(200, answer)


def _about(sent: Sent) -> Made:
    """Unit, visit and site of a record, as far as it names them."""
    unit, visit = None, None
    with suppress(RuleViolation):
        unit = unit_of(sent.body)
    with suppress(RuleViolation):
        visit = visit_of(sent.body)
    site = Site.objects.filter(pk=read_key(sent.body.get("site")) or 0).first()
    return Made("", visit, unit, site=site)


def _keep(
    sent: Sent, key: UUID, answer: dict[str, Any], made: Made, *, look_at: list[str], by: User
) -> PhoneRecord:
    """Store the phone record, with its answer and what the office should check."""
    site = made.site or (made.unit.site if made.unit else made.visit.site if made.visit else None)
    return PhoneRecord.objects.create(
        key=key,
        by=by,
        kind=sent.kind[:12],
        fingerprint=sent.fingerprint,
        payload=dict(sent.body),
        answer=answer,
        made_at=sent.made.at,
        received_at=sent.made.received_at,
        unit=made.unit,
        finding=made.finding,
        site=site,
        look_at=shown_on_one_line("; ".join(look_at))[:MOST_LOOK_AT],
    )


def _overtaken(sent: Sent, made: Made) -> list[str]:
    """Changes to visit, unit and call between recording and receipt."""
    happened = []
    visit = made.visit
    if visit is not None and visit.state == Visit.State.CANCELLED:
        happened.append("recorded on a visit that was canceled meanwhile")
    elif sent.kind != "finish" and visit is not None and visit.finished_at is not None:
        meanwhile = sent.made.at < visit.finished_at
        happened += ["recorded on a visit that was finished meanwhile"] if meanwhile else []
    if made.unit is not None and made.unit.removed_on is not None:
        happened.append(f"unit {made.unit.code} was removed meanwhile")
    call = read_key(sent.body.get("call"))
    if call and Call.objects.filter(pk=call, state=Call.State.CANCELLED).exists():
        happened.append("recorded for a call that was canceled meanwhile")
    return happened


def _choices(sent: Sent, refusal: RuleViolation) -> dict[str, Any]:
    """Choices where a question stayed open."""
    if "same_as" not in refusal.reasons:
        return {"fields": sorted(filter(None, refusal.reasons))}
    unit = Unit.objects.filter(pk=read_key(sent.body.get("unit")) or 0).first()
    if unit is None:
        return {}
    form = finding_form(sent, unit)
    return {"field": "same_as", "choices": [list(choice) for choice in form.fields["same_as"].choices]}  # type: ignore[attr-defined]
