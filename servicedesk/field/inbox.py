"""Taking in what phones recorded: each once, through the operations that the pages use.

A phone keeps a record until it hears that it is stored. So the same record may come several times, also after
an answer that never arrived; the key the phone gave it makes it one. A record that can't be taken is not
stored: the answer says why and, where there is something to choose, from what.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from typing import Any
from uuid import UUID

from django.db import transaction
from django.utils.dateparse import parse_datetime

from schedules.models import Visit
from schedules.words import count
from servicedesk.calls.forms import FindingForm
from servicedesk.calls.models import Call, Finding, PhoneRecord, Work
from servicedesk.calls.operations import record_finding, record_work, see_all_fine, see_fine
from servicedesk.field.phone_json import Unreadable, read_json, shown_on_one_line
from servicedesk.people.models import User
from servicedesk.refusals import Refused, one_step
from servicedesk.typed import read_key
from units.forms import DayField
from units.models import Fitment, Site, Unit

OTHER_BODY = "A record with this key came before with other contents. Make it again as a new one."
EARLIEST, LATEST = 2000, 9998  # years for which a phone’s clock is believed


@dataclass(frozen=True)
class Answer:
    """What the phone is told: an HTTP status and a body for it."""

    status: int
    body: dict[str, Any]


@dataclass(frozen=True)
class Made:
    """What became of a record: in words, and what photos of it belong to."""

    words: str
    visit: Visit | None
    unit: Unit | None = None
    finding: Finding | None = None


def take_in(body: bytes, *, by: User, at: datetime) -> Answer:
    """Take in one record; the same again gets the first answer."""
    try:
        told = _read(body)
    except Unreadable as error:
        return Answer(400, {"state": "unreadable", "words": str(error)})
    fingerprint = hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()
    known = PhoneRecord.objects.filter(key=told["key"]).first()
    if known is None:
        try:
            return _store(told, fingerprint, by=by, at=at)
        except Refused as refusal:
            known = PhoneRecord.objects.filter(key=told["key"]).first()  # the same came twice at once
            if known is None:
                words = shown_on_one_line(str(refusal))
                return Answer(422, {"state": "needs answer", "words": words, **_choices(told, refusal)})
    if known.by_id != by.pk or known.fingerprint != fingerprint:
        return Answer(422, {"state": "needs answer", "words": OTHER_BODY})
    return Answer(200, known.answer)


def _read(body: bytes) -> dict[str, Any]:
    """Read a record as JSON and check the frame every record has."""
    told = read_json(body)
    try:
        told["key"] = str(UUID(str(told["key"])))
        made = parse_datetime(told["made_at"])
    except (ValueError, KeyError, TypeError) as error:
        raise Unreadable("This is no record of a phone.") from error
    if str(told.get("kind")) not in DOORS or made is None or made.tzinfo is None:
        raise Unreadable("This desk does not know such a record: reload the page on the phone.")
    if not isinstance(told.get("body"), dict):
        raise Unreadable("This record is empty.")
    return {name: told[name] for name in ("key", "kind", "made_at", "body")}


def _store(told: dict[str, Any], fingerprint: str, *, by: User, at: datetime) -> Answer:
    made_at = parse_datetime(told["made_at"])
    if made_at is None or not EARLIEST <= made_at.year <= LATEST or made_at > at + timedelta(minutes=5):
        made_at = at  # the clock of the phone is wrong; the record is good all the same
    with one_step():
        made = DOORS[told["kind"]](told["body"], UUID(told["key"]), by, at)
        answer = {"state": "received", "words": made.words}
        PhoneRecord.objects.create(
            key=told["key"],
            by=by,
            kind=told["kind"],
            fingerprint=fingerprint,
            told=told["body"],
            answer=answer,
            made_at=made_at.astimezone(UTC),
            received_at=at,
            unit=made.unit,
            finding=made.finding,
            look_at=_cancelled(made.visit),
        )
    return Answer(200, answer)


def _finding(told: Mapping[str, Any], key: UUID, by: User, at: datetime) -> Made:
    """Record what was found, and the works done about it."""
    unit, visit, call = _unit(told), _visit(told), _call(told)
    fields = (
        "mode",
        "panel",
        "corner",
        "severity",
        "made_safe_how",
        "is_failure",
        "found_on",
        "same_as",
        "note",
    )
    data = {name: "" if told.get(name) is None else str(told.get(name)) for name in fields}
    data["is_failure"] = "False" if told.get("is_failure") is False else "True"
    data |= {"receipt": str(key), "detected": "called" if call else "care" if visit else ""}
    form = FindingForm(data, instance=Finding(unit=unit, call=call))
    if not form.is_valid():
        raise Refused({name: [str(text) for text in texts] for name, texts in form.errors.items()})
    form.ask_whether_repeat()
    with transaction.atomic():
        finding = record_finding(form.instance, visit=visit, by=by, at=at)
        for kind in _works(told):
            work = Work(
                unit=unit,
                fitment=finding.fitment,
                finding=finding,
                call=call,
                kind=str(kind),
                done_on=finding.found_on,
            )
            record_work(work, by=by, at=at)
    return Made(f"{finding.mode.name} at unit {unit.code}", visit, unit, finding)


def _fine(told: Mapping[str, Any], key: UUID, by: User, at: datetime) -> Made:
    """Note a unit, or all units of a site, as seen and fine."""
    visit, call = _visit(told), _call(told)
    if told.get("site"):
        site = Site.objects.filter(pk=_number(told, "site")).first()
        if site is None:
            raise Refused("That site is not in the register.")
        seen = see_all_fine(site, call=call, visit=visit, by=by, at=at)
        return Made(f"{count(len(seen), 'unit')} seen, fine", visit)
    unit = _unit(told)
    see_fine(unit, call=call, visit=visit, by=by, at=at)
    return Made(f"unit {unit.code} seen, fine", visit, unit)


def _work(told: Mapping[str, Any], key: UUID, by: User, at: datetime) -> Made:
    """Record work done at a unit, or on one of its parts."""
    unit, visit, call = _unit(told), _visit(told), _call(told)
    part = None
    if told.get("fitment"):
        part = Fitment.objects.filter(pk=_number(told, "fitment"), unit=unit).first()
        if part is None:
            raise Refused("That part is not in this unit any more.")
    done_on = DayField().clean(str(told.get("done_on") or ""))
    work = Work(
        unit=unit,
        fitment=part,
        call=call,
        kind=str(told.get("work", "")),
        done_on=done_on,
        note=str(told.get("note", ""))[:2000],
    )
    record_work(work, maker_allows=told.get("maker_allows") is True, by=by, at=at)
    return Made(f"{work.get_kind_display()} at unit {unit.code}", visit, unit)


DOORS: Mapping[str, Callable[[Mapping[str, Any], UUID, User, datetime], Made]] = {
    "finding": _finding,
    "fine": _fine,
    "work": _work,
}


def _choices(told: Mapping[str, Any], refusal: Refused) -> dict[str, Any]:
    """Offer what can be chosen where a question stayed open."""
    if "same_as" not in refusal.reasons:
        return {"fields": sorted(filter(None, refusal.reasons))}
    unit = Unit.objects.filter(pk=told["body"].get("unit")).first()
    if unit is None:
        return {}
    data = {"mode": str(told["body"].get("mode")), "found_on": str(told["body"].get("found_on"))}
    form = FindingForm(data, instance=Finding(unit=unit))
    return {"field": "same_as", "choices": [list(choice) for choice in form.fields["same_as"].choices]}  # type: ignore[attr-defined]


def _unit(told: Mapping[str, Any]) -> Unit:
    unit = Unit.objects.select_related("construction", "site").filter(pk=_number(told, "unit")).first()
    if unit is None:
        raise Refused("That unit is not in the register.")
    return unit


def _visit(told: Mapping[str, Any]) -> Visit | None:
    return Visit.objects.filter(pk=_number(told, "visit")).first() if told.get("visit") else None


def _call(told: Mapping[str, Any]) -> Call | None:
    if not told.get("call"):
        return None
    return Call.objects.open().filter(pk=_number(told, "call")).first()


def _number(told: Mapping[str, Any], name: str) -> int:
    key = read_key(told.get(name))
    if key is None:
        raise Refused(f"This record says no {name}.")
    return key


def _works(told: Mapping[str, Any]) -> list[str]:
    """Read which works were done about a finding."""
    works = told.get("works") or []
    if not isinstance(works, list):
        raise Refused("This record does not say which works were done.")
    return [str(work) for work in works]


def _cancelled(visit: Visit | None) -> str:
    if visit is not None and visit.state == Visit.State.CANCELLED:
        return "recorded on a visit that was cancelled meanwhile"
    return ""
