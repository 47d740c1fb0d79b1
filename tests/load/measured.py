"""What the script measured: a line for each kind of page, and what must hold."""

from __future__ import annotations

import csv
import math
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

INBOX = "inbox"


@dataclass(frozen=True)
class Request:
    """One request: the moment it was sent, its kind of page, how long it took, and what went wrong."""

    at: float
    kind: str
    ms: float
    error: str


def read(path: Path) -> list[Request]:
    """Read what the script wrote."""
    with path.open(newline="") as rows:
        return [Request(float(at), kind, float(ms), error) for at, kind, ms, error in csv.reader(rows)]


def within(times: Sequence[float], share: float) -> float:
    """Give the time within which a share of all requests was answered (nearest rank); 0 without any."""
    ordered = sorted(times)
    return ordered[max(0, math.ceil(share * len(ordered)) - 1)] if ordered else 0.0


def table(requests: Sequence[Request], *, meanwhile: tuple[float, float]) -> str:
    """Write a line for each kind of page; ``meanwhile`` is when the import ran."""
    by_kind: defaultdict[str, list[Request]] = defaultdict(list)
    for each in requests:
        by_kind[each.kind].append(each)
    lines = [f"{'kind of page':<24}{'requests':>9}{'errors':>8}{'median':>9}{'p95':>9}{'max':>9}{'p95*':>9}"]
    for kind, group in sorted(by_kind.items()):
        times = [each.ms for each in group]
        during = [each.ms for each in group if meanwhile[0] <= each.at <= meanwhile[1]]
        errors = sum(bool(each.error) for each in group)
        figures = [within(times, 0.5), within(times, 0.95), max(times), within(during, 0.95)]
        lines.append(f"{kind:<24}{len(group):>9,}{errors:>8,}" + "".join(f"{ms:>9,.0f}" for ms in figures))
    return "\n".join([*lines, "milliseconds; * while the import ran"])


def errors_of(requests: Sequence[Request]) -> list[str]:
    """List what went wrong, each kind of it once, with how often."""
    counts = Counter(f"{each.kind}: {each.error[:160]}" for each in requests if each.error)
    return [f"{times} times {what}" for what, times in counts.most_common(20)]


def inbox_within(requests: Sequence[Request], meanwhile: tuple[float, float]) -> float:
    """Give the p95 of the inbox in milliseconds: the worse of the whole run's and that during the import."""
    mine = [each for each in requests if each.kind == INBOX]
    during = [each.ms for each in mine if meanwhile[0] <= each.at <= meanwhile[1]]
    return max(within([each.ms for each in mine], 0.95), within(during, 0.95))
