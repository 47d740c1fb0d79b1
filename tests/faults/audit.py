"""What became of deeds: whole and once, wholly absent, or a loss."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field

from django.conf import settings

from schedules.models import Visit, VisitTask
from servicedesk.calls.models import Call, Finding, PhoneRecord, Photo, SafetyAnswer, Work
from servicedesk.calls.photo_files import photo_path
from servicedesk.core.models import Batch, Change, ChangedField, IdempotencyKey
from servicedesk.imports.models import BatchFile
from tests.faults.deeds import Deed
from units.models import ConstructionPart, Customer, InstalledPart, ObservationPeriod, Site, Unit

Pieces = list[tuple[str, int, int]]
"""Each piece of what a deed makes: its name, how many there are, how many there should be."""


@dataclass
class Losses:
    """What went wrong, one sentence each."""

    lost: list[str] = field(default_factory=list)
    doubled: list[str] = field(default_factory=list)
    half: list[str] = field(default_factory=list)
    broken: list[str] = field(default_factory=list)

    def add(self, other: Losses) -> None:
        """Add what another look found."""
        for name in ("lost", "doubled", "half", "broken"):
            getattr(self, name).extend(getattr(other, name))

    def all(self) -> list[str]:
        """List everything."""
        return [
            f"{name}: {line}"
            for name in ("lost", "doubled", "half", "broken")
            for line in getattr(self, name)
        ]


def check(made: Iterable[Deed]) -> Losses:
    """Look for each deed that makes a record: acknowledged, it is there whole; refused, it is not there."""
    losses, made = Losses(), list(made)
    for deed in made:
        if deed.kind in PIECES:
            _judge(deed, PIECES[deed.kind](deed), losses)
        elif deed.kind == "finish":
            _judge(deed, _finished(deed), losses, by_another=_by_another(deed, made))
        elif deed.kind == "confirm" and deed.acknowledged:
            state = Visit.objects.get(pk=deed.about).state
            if state != Visit.State.CONFIRMED:
                losses.lost.append(f"visit {deed.about} was confirmed and is {state}")
    return losses


def _by_another(deed: Deed, made: Sequence[Deed]) -> bool:
    """Tell whether what a refused deed was about was done by a later one: a visit is finished again then."""
    return any(
        other is not deed and other.kind == deed.kind and other.about == deed.about and not other.refused
        for other in made
    )


def _judge(deed: Deed, pieces: Pieces, losses: Losses, *, by_another: bool = False) -> None:
    summary = f"{deed.kind} {deed.mark} (answers {[heard.status for heard in deed.heard]}): {pieces}"
    if any(count > wanted for _, count, wanted in pieces):
        losses.doubled.append(summary)
        return
    whole = all(count == wanted for _, count, wanted in pieces)
    absent = not any(count for _, count, _ in pieces)
    if not whole and not absent:
        losses.half.append(summary)
    elif deed.acknowledged and not whole:
        losses.lost.append(summary)
    elif deed.refused and not absent and not by_another:
        losses.half.append(f"refused and stored all the same: {summary}")


def is_there(deed: Deed) -> bool:
    """Tell whether the record of a deed is stored."""
    return all(count == wanted for _, count, wanted in PIECES[deed.kind](deed))


def _idempotency_key(deed: Deed) -> tuple[str, int, int]:
    return "idempotency_key", IdempotencyKey.objects.filter(key=deed.key).exclude(location="").count(), 1


def _told(subject: str, pks: Sequence[int], action: str) -> int:
    return Change.objects.filter(subject=subject, subject_id__in=pks, action__startswith=action).count()


def _call(deed: Deed) -> Pieces:
    calls = list(Call.objects.filter(words=deed.mark))
    pks = [call.pk for call in calls]
    answers = SafetyAnswer.objects.filter(call__in=pks).count()
    return [
        ("call", len(calls), 1),
        ("task", sum(call.task_id is not None for call in calls), 1),
        ("answers", answers, len(SafetyAnswer.Question.values)),
        ("history", _told("calls.call", pks, "call logged"), 1),
        _idempotency_key(deed),
    ]


def _seen(deed: Deed) -> Pieces:
    findings = list(Finding.objects.filter(note=deed.mark))
    pks = [finding.pk for finding in findings]
    return [
        ("finding", len(findings), 1),
        ("look", sum(finding.inspection_id is not None for finding in findings), 1),
        ("history", _told("calls.finding", pks, "recorded"), 1),
    ]


def _phone(deed: Deed) -> tuple[str, int, int]:
    return "record of the phone", PhoneRecord.objects.filter(key=deed.key).count(), 1


def _phone_finding(deed: Deed) -> Pieces:
    works = Work.objects.filter(finding__note=deed.mark).count()
    return [*_seen(deed), ("works", works, deed.wanted), _phone(deed)]


def _work(deed: Deed) -> Pieces:
    return [("work", Work.objects.filter(note=deed.mark).count(), 1)]


def _part(deed: Deed) -> Pieces:
    new = list(InstalledPart.objects.filter(lot=deed.mark))
    ended = sum(
        InstalledPart.objects.filter(pk=deed.about, removed_on=installed_part.fitted_on).exists()
        for installed_part in new
    )
    return [("part", len(new), 1), ("old part ended", ended, 1), *_work(deed), _idempotency_key(deed)]


def _customer(deed: Deed) -> Pieces:
    pks = list(Customer.objects.filter(name=f"Customer {deed.mark}").values_list("pk", flat=True))
    return [
        ("customer", len(pks), 1),
        ("history", _told("units.customer", pks, "added"), 1),
        _idempotency_key(deed),
    ]


def _unit(deed: Deed) -> Pieces:
    units = list(Unit.objects.filter(code=deed.mark))
    pks = [unit.pk for unit in units]
    parts = ConstructionPart.objects.filter(construction=deed.data["construction"], optional=False).count()
    return [
        ("unit", len(units), 1),
        ("parts", InstalledPart.objects.filter(unit__in=pks).count(), parts),
        ("watched", ObservationPeriod.objects.filter(unit__in=pks).count(), 1),
        ("history", _told("units.unit", pks, "added"), 1),
        _idempotency_key(deed),
    ]


def _visit(deed: Deed) -> Pieces:
    """Find a visit by its idempotency key: a move may have changed its note since."""
    places = IdempotencyKey.objects.filter(key=deed.key).values_list("location", flat=True)
    pks = [int(place.rstrip("/").rsplit("/", 1)[-1]) for place in places if place]
    pks += Visit.objects.filter(note=deed.mark).exclude(pk__in=pks).values_list("pk", flat=True)
    going = sum(visit.technicians.count() for visit in Visit.objects.filter(pk__in=pks))
    pieces = [
        ("visit", Visit.objects.filter(pk__in=pks).count(), 1),
        ("technicians", going, 1),
        ("history", _told("schedules.visit", pks, "planned for"), 1),
        _idempotency_key(deed),
    ]
    if deed.wanted:
        pieces.append(("tasks", VisitTask.objects.filter(visit__in=pks).count(), deed.wanted))
    return pieces


def _photo(deed: Deed) -> Pieces:
    photos = list(Photo.objects.filter(key=deed.key))
    files = sum(photo_path(photo.name).is_file() for photo in photos)
    return [("photo", len(photos), 1), ("file of it", files, 1)]


def _file(deed: Deed) -> Pieces:
    """A file handed in: its batch, and, until it is applied, the file itself."""
    batch_files = list(BatchFile.objects.filter(name=f"{deed.mark}.csv").select_related("batch"))
    done = {Batch.Stage.APPLIED, Batch.Stage.REVERTED, Batch.Stage.REFUSED}
    intact = sum(
        each.batch.stage in done or any((settings.INCOMING_DIR / each.batch.folder).iterdir())
        for each in batch_files
    )
    return [("import", len(batch_files), 1), ("its file", intact, 1), _idempotency_key(deed)]


PIECES: dict[str, Callable[[Deed], Pieces]] = {
    "call": _call,
    "finding": lambda deed: [*_seen(deed), _idempotency_key(deed)],
    "phone finding": _phone_finding,
    "phone work": lambda deed: [*_work(deed), _phone(deed)],
    "work": lambda deed: [*_work(deed), _idempotency_key(deed)],
    "part": _part,
    "customer": _customer,
    "unit": _unit,
    "visit": _visit,
    "photo": _photo,
    "file": _file,
}


def _finished(deed: Deed) -> Pieces:
    """A visit that ended: with it its task, and the call behind that."""
    visit = Visit.objects.get(pk=deed.about)
    taken = list(VisitTask.objects.filter(visit=visit).select_related("task__call"))
    calls = [entry.task.call for entry in taken if hasattr(entry.task, "call")]
    return [
        ("visit", int(visit.finished_at is not None), 1),
        ("outcomes", sum(entry.outcome == "done" for entry in taken), len(taken)),
        ("tasks", sum(entry.task.state == "completed" for entry in taken), len(taken)),
        ("calls", sum(call.state == "completed" for call in calls), len(calls)),
        ("history", _told("schedules.visit", [visit.pk], "finished"), 1),
    ]


CHAINS = {
    "change customer": (Customer, "note", "units.customer"),
    "change site": (Site, "access_notes", "units.site"),
    "move": (Visit, "note", "schedules.visit"),
}


def check_chains(ledger: Sequence[Deed]) -> Losses:
    """Look at what is changed again and again: it holds the last acknowledged value, or a later one."""
    losses = Losses()
    by_record: dict[tuple[str, int], list[Deed]] = {}
    for deed in ledger:
        if deed.kind in CHAINS:
            by_record.setdefault((deed.kind, deed.about), []).append(deed)
    for (kind, pk), changes in by_record.items():
        _check_chain(kind, pk, changes, losses)
    return losses


def _check_chain(kind: str, pk: int, changes: list[Deed], losses: Losses) -> None:
    model, name, subject = CHAINS[kind]
    current = getattr(model._base_manager.get(pk=pk), name)
    last = max((place for place, deed in enumerate(changes) if deed.acknowledged), default=-1)
    may_be = {deed.mark for deed in changes[max(last, 0) :] if not deed.refused}
    if last >= 0 and current not in may_be:
        losses.lost.append(f"{kind} {pk} holds {current}, and not {changes[last].mark} or later")
    label = str(model._meta.get_field(name).verbose_name)
    sent = [deed.mark for deed in changes]
    fields = ChangedField.objects.filter(change__subject=subject, change__subject_id=pk, field=label)
    recorded = list(fields.filter(after__in=sent).values_list("after", flat=True))
    for deed in changes:
        times = recorded.count(deed.mark)
        if times > 1:
            losses.doubled.append(f"{kind} {pk} to {deed.mark} is {times} times in the history")
        elif deed.acknowledged and not times:
            losses.lost.append(f"{kind} {pk} to {deed.mark} is not in the history")
        elif current == deed.mark and not times:
            losses.half.append(f"{kind} {pk} holds {current} without its history")
