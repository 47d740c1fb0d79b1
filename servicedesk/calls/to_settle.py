"""Phone records that the office has to settle, with all entries in words."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from schedules.models import MaintenanceTask
from schedules.models.maintenance import WorkKind
from servicedesk.calls.forms.works import EXTENTS
from servicedesk.calls.models import Finding, PhoneRecord
from servicedesk.calls.models.findings import Corner
from servicedesk.core.values.typed import read_key
from units.models import ComponentType, FailureMode, InstalledPart

KINDS = {
    "finding": "Finding",
    "fine": "Inspected, no faults",
    "work": "Work",
    "care": "Care",
    "finish": "Visit finished",
}
LABELS = {
    "mode": "What is wrong",
    "panel": "Panel",
    "corner": "Corner",
    "severity": "How bad it is",
    "made_safe_how": "What made it safe",
    "is_failure": "A failure",
    "works": "Work done",
    "work": "What was done",
    "installed_part": "On what",
    "extent": "How much was replaced",
    "component_type": "New part",
    "lot": "Lot of the new part",
    "pieces": "Pieces",
    "minutes": "Minutes",
    "tasks": "Done",
    "ended_at": "The visit ended at",
    "found_on": "Day on the phone",
    "done_on": "Day on the phone",
    "inspected_on": "Day on the phone",
    "note": "Note",
}
TOLD_ELSEWHERE = {"unit", "site", "visit", "call"}
OF_A_TASK = {"minutes": "minutes", "until": "follow up on", "part": "missing", "pieces": "pieces"}


@dataclass(frozen=True)
class ToSettle:
    """Record to settle, its kind, and each entry with its label."""

    record: PhoneRecord
    kind: str
    lines: Sequence[tuple[str, str]]

    @property
    def is_danger(self) -> bool:
        """Whether it reports a danger to people."""
        return self.record.payload.get("severity") == Finding.Severity.DANGER


def read_to_settle(*, most: int) -> list[ToSettle]:
    """Oldest records to settle, those that report a danger first."""
    records = list(PhoneRecord.objects.to_settle().select_related("by", "unit", "site", "finding")[:most])
    names = _Names(records)
    entries = [
        ToSettle(record, KINDS.get(record.kind, record.kind), list(_lines(record.payload, names)))
        for record in records
    ]
    return sorted(entries, key=lambda each: not each.is_danger)


class _Names:
    """Names of the records that some entries refer to by key, read once for all of them."""

    def __init__(self, records: Iterable[PhoneRecord]) -> None:
        bodies = [record.payload for record in records]
        modes = FailureMode.objects.in_bulk(_keys(bodies, "mode"))
        parts = InstalledPart.objects.select_related("component_type").in_bulk(
            _keys(bodies, "installed_part")
        )
        types = ComponentType.objects.in_bulk(_keys(bodies, "component_type"))
        self.of = {
            "mode": {key: mode.full_name for key, mode in modes.items()},
            "installed_part": {key: str(part) for key, part in parts.items()},
            "component_type": {key: str(one) for key, one in types.items()},
        }
        tasks = {key for body in bodies for key in _keys([{"": one} for one in _list(body.get("tasks"))], "")}
        tasks |= {key for body in bodies for name in body if (key := _task_of(name)[1])}
        self.of["tasks"] = {
            task.pk: f"{task.unit}: {task.reason}" if task.unit else task.reason
            for task in MaintenanceTask.objects.filter(pk__in=tasks).select_related("unit")
        }

    def name(self, field: str, value: object) -> str:
        """Name of the record with a key; the key itself where no record has it any more."""
        return self.of[field].get(read_key(value) or 0, str(value))


def _lines(body: Mapping[str, Any], names: _Names) -> Iterator[tuple[str, str]]:
    """Entries field by field, in the order of the labels; unknown ones as they came."""
    order = list(LABELS)
    for name in sorted(body, key=lambda each: order.index(each) if each in LABELS else len(order)):
        value = body[name]
        if name in TOLD_ELSEWHERE or value in (None, "", []):
            continue
        what, task = _task_of(name)
        if task:
            label = names.name("tasks", task)
            yield label if what == "task" else f"{label}, {OF_A_TASK[what]}", _outcome(what, value)
        else:
            label = LABELS["made_safe_how"] if name.startswith("safe_") else name.replace("_", " ")
            yield LABELS.get(name, label), _words(name, value, names)


def _words(name: str, value: Any, names: _Names) -> str:
    """Value of one field in words."""
    choices: dict[str, Any] = {
        "severity": Finding.Severity.choices,
        "corner": Corner.choices,
        "works": WorkKind.choices,
        "work": WorkKind.choices,
        "extent": EXTENTS,
    }
    if isinstance(value, list):
        return ", ".join(_words(name, one, names) for one in value)
    if name in names.of:
        return names.name(name, value)
    if name in choices:
        return str(dict(choices[name]).get(str(value), value))
    return {True: "yes", False: "no"}[value] if isinstance(value, bool) else str(value)


def _outcome(what: str, value: Any) -> str:
    reasons = dict(MaintenanceTask.NotDone.choices)
    return f"not done: {reasons[value]}" if what == "task" and str(value) in reasons else str(value)


def _task_of(name: str) -> tuple[str, int | None]:
    """Split a field of one task ("minutes_12") into its meaning and the task's key."""
    what, _, number = name.rpartition("_")
    return (what, read_key(number)) if what == "task" or what in OF_A_TASK else (name, None)


def _keys(bodies: Iterable[Mapping[str, Any]], name: str) -> set[int]:
    return {key for body in bodies if (key := read_key(body.get(name)))}


def _list(value: object) -> list[Any]:
    return value if isinstance(value, list) else []
