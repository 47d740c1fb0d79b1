"""What the database counts for the rates, and how it is kept block by block of sites."""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date
from io import BytesIO
from typing import Any

import numpy as np
from numpy.typing import NDArray

from servicedesk.people.models import Touch
from servicedesk.reports.kept import code_version
from servicedesk.reports.models import BlockCount
from servicedesk.reports.queries.fates import Fate

Ints = NDArray[np.int64]

FEW_BLOCKS = 8
"""Up to so many blocks are counted anew while somebody waits; more take longer than the whole at once."""


@dataclass(frozen=True, eq=False)
class Counted:
    """Columns of rows by group and site, and totals.

    ``watched`` holds the place of the group in ``groups``, site, items, ageless items, days, days times
    pieces, and days up to the last look; ``events`` the place of the group in ``event_groups``, site,
    failures, and those that only a look shows. A group is a number, a text, or None.
    """

    groups: list[Any]
    watched: Ints
    departed: dict[Any, int]
    event_groups: list[Any]
    events: Ints
    fates: dict[Fate, int]
    without_time: int
    notes: dict[str, int]

    def to_bytes(self) -> bytes:
        """Write it down, for `from_bytes` to read."""
        told = {
            "groups": self.groups,
            "departed": list(self.departed.items()),
            "event_groups": self.event_groups,
            "fates": list(self.fates.items()),
            "without_time": self.without_time,
            "notes": self.notes,
        }
        body = BytesIO()
        np.savez_compressed(
            body,
            told=np.frombuffer(json.dumps(told).encode(), dtype=np.uint8),
            watched=_narrow(self.watched),
            events=_narrow(self.events),
        )
        return body.getvalue()

    @classmethod
    def from_bytes(cls, body: bytes) -> Counted:
        """Read what `to_bytes` wrote."""
        with np.load(BytesIO(body), allow_pickle=False) as held:
            told = json.loads(held["told"].tobytes())
            return cls(
                groups=told["groups"],
                watched=held["watched"].astype(np.int64),
                departed=dict(told["departed"]),
                event_groups=told["event_groups"],
                events=held["events"].astype(np.int64),
                fates={Fate(name): count for name, count in told["fates"]},
                without_time=told["without_time"],
                notes=told["notes"],
            )


def counted_by_block(
    as_of: date, by: str, *, count: Callable[[int | None], Counted], fill: bool = False
) -> Counted:
    """Count the fleet, of what is kept in the database only the blocks that were written to since.

    Parameters
    ----------
    as_of, by
        The day on which the records are read, and what parts are told apart by.
    count
        Counts one block of sites, or the whole (None).
    fill
        Count and keep all blocks that are missing, however long it takes; else, where many are, the whole is
        counted at once and not kept.
    """
    versions = Touch.objects.versions()  # before counting: what is written meanwhile is counted next time
    now = {
        block: f"{code_version()}/{versions.get(None)}/{versions.get(block)}" for block in range(Touch.BLOCKS)
    }
    held = dict(BlockCount.objects.current(as_of, by, now))
    missing = [block for block in now if block not in held]
    if len(missing) > FEW_BLOCKS and not fill:
        return count(None)
    parts = [Counted.from_bytes(body) for body in held.values()]
    for block in missing:
        part = count(block)
        BlockCount.objects.keep(as_of, by, block, version=now[block], body=part.to_bytes())
        parts.append(part)
    return _added(parts)


def _added(parts: Sequence[Counted]) -> Counted:
    """Put what was counted of several blocks of sites together."""
    groups, watched = _stacked([(part.groups, part.watched) for part in parts])
    failed, events = _stacked([(part.event_groups, part.events) for part in parts])
    departed: Counter[Any] = Counter()
    fates: Counter[Fate] = Counter()
    notes: Counter[str] = Counter()
    for part in parts:
        departed.update(part.departed)
        fates.update(part.fates)
        notes.update(part.notes)
    return Counted(
        groups=groups,
        watched=watched,
        departed=dict(departed),
        event_groups=failed,
        events=events,
        fates={fate: fates[fate] for fate in Fate},
        without_time=sum(part.without_time for part in parts),
        notes=dict(notes),
    )


def _stacked(parts: Sequence[tuple[list[Any], Ints]]) -> tuple[list[Any], Ints]:
    """Put columns below each other, their groups told by one list."""
    groups = list(dict.fromkeys(key for keys, _ in parts for key in keys))
    place = {key: number for number, key in enumerate(groups)}
    moved = []
    for keys, columns in parts:
        again = columns.copy()
        again[0] = looked_up([place[key] for key in keys], columns[0])
        moved.append(again)
    return groups, np.concatenate(moved, axis=1)


def _narrow(columns: Ints) -> NDArray[Any]:
    """Give numbers half the room where they fit into it."""
    return columns.astype(np.int32) if np.abs(columns).max(initial=0) < 2**31 else columns


def looked_up(places: Sequence[int], numbers: Ints) -> Ints:
    """Turn numbers of groups into their places."""
    return np.array(places, dtype=np.int64)[numbers] if places else numbers
