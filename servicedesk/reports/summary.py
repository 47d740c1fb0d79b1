"""Summary of the last twelve months: counts, minutes and pieces."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import dataclass
from datetime import date, timedelta
from typing import TYPE_CHECKING

from django.db.models import Case, CharField, Count, F, Q, Sum, Value, When

from servicedesk.calls.models import Call, Work
from servicedesk.core.values.dates import start_of
from servicedesk.reports.queries.exclusion_reasons import findings_by_exclusion_reason
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import MODE
from units.models import FailureMode, Kind

if TYPE_CHECKING:
    from servicedesk.reports.questions.judgements import Judged
    from servicedesk.reports.rates.figure import RateRow

REPAIRS = ("adjusted", "repaired", "replaced")


@dataclass(frozen=True, kw_only=True)
class KindLine:
    """Summary of one kind of part in the last twelve months (kind "" for work on no part in particular)."""

    kind: str
    name: str
    failures: int
    minutes: int
    pieces: int
    years: float
    judged: Judged | None


@dataclass(frozen=True, kw_only=True)
class YearInBrief:
    """Summary of the last twelve months."""

    first: date
    last: date
    failures: int
    calls: int
    calls_open: int
    minutes: int
    repair_minutes: int
    pieces: int
    sites: int
    lines: list[KindLine]


def year_in_brief(today: date) -> YearInBrief:
    """Summary of the twelve months up to today."""
    return in_brief(twelve_months(today))


def in_brief(chosen: Selection) -> YearInBrief:
    """Summary of the days of a selection."""
    first, last = chosen.from_on or chosen.last, chosen.last
    from servicedesk.reports.rates.figure import rates_figure  # imports the numerics; the home page does not

    figure = rates_figure(chosen, by="part")
    works = _work_by_kind(first, last)
    lines = _lines({str(row.key): row for row in figure.rows}, works)
    begin, end = start_of(first), start_of(last + timedelta(days=1))
    calls = Call.objects.filter(reported_at__gte=begin, reported_at__lt=end).exclude(
        state=Call.State.CANCELLED
    )
    return YearInBrief(
        first=first,
        last=last,
        failures=figure.events,
        calls=calls.count(),
        calls_open=Call.objects.open().count(),
        minutes=sum(minutes for minutes, _, _ in works.values()),
        repair_minutes=sum(repair for _, repair, _ in works.values()),
        pieces=sum(pieces for _, _, pieces in works.values()),
        sites=figure.sites,
        lines=lines,
    )


@dataclass(frozen=True, kw_only=True)
class ModeLine:
    """Number of failures of one mode on one kind of part, and of sites with them."""

    mode: FailureMode
    kind: str
    failures: int
    sites: int


def failures_by_mode(selection: Selection) -> list[ModeLine]:
    """Failures of a selection by kind of part and mode, most first."""
    events, _ = findings_by_exclusion_reason(Scope(selection, MODE))
    by_mode: dict[tuple[str, int], list[int]] = defaultdict(list)
    for group, _, count, *_ in events:
        kind, mode = group.split(":")
        by_mode[kind, int(mode)].append(count)
    modes = FailureMode.objects.in_bulk({mode for _, mode in by_mode})
    lines = [
        ModeLine(mode=modes[mode], kind=kind, failures=sum(counts), sites=len(counts))
        for (kind, mode), counts in by_mode.items()
    ]
    return sorted(lines, key=lambda line: (-line.failures, line.mode.code, line.kind))


def twelve_months(today: date) -> Selection:
    """Selection of the twelve months up to today."""
    return Selection(as_of=today, from_on=_year_before(today) + timedelta(days=1))


def _year_before(day: date) -> date:
    """Same day a year earlier (28 February for the 29th)."""
    return day.replace(year=day.year - 1, day=28 if (day.month, day.day) == (2, 29) else day.day)


def _work_by_kind(first: date, last: date) -> dict[str, tuple[int, int, int]]:
    """Minutes, minutes of repairs, and pieces by the kind of part worked on."""
    rows = (
        Work.objects.filter(done_on__gte=first, done_on__lte=last)
        .annotate(
            of_kind=Case(
                When(installed_part__isnull=False, then=F("installed_part__kind")),
                When(finding__isnull=False, then=F("finding__mode__kind")),
                default=Value(""),
                output_field=CharField(),
            )
        )
        .order_by()
        .values_list("of_kind")
        .annotate(
            all_minutes=Sum("minutes", default=0),
            repair_minutes=Sum("minutes", filter=Q(kind__in=REPAIRS), default=0),
            all_pieces=Sum("pieces", default=0),
            jobs=Count("pk"),
        )
    )
    return {kind: (minutes, repair, pieces) for kind, minutes, repair, pieces, _ in rows}


def _lines(rates: dict[str, RateRow], works: dict[str, tuple[int, int, int]]) -> list[KindLine]:
    """Lines of failures and work by kind of part, most failures first: counts may be ranked, rates not."""
    lines = []
    for kind in {*rates, *works}:
        rate = rates.get(kind)
        minutes, _, pieces = works.get(kind, (0, 0, 0))
        lines.append(
            KindLine(
                kind=kind,
                name=str(Kind(kind).label) if kind else "no part in particular",
                failures=rate.events if rate else 0,
                minutes=minutes,
                pieces=pieces,
                years=rate.years if rate else 0.0,
                judged=rate.judged if rate else None,
            )
        )
    return sorted(lines, key=lambda line: (not line.kind, -line.failures, -line.minutes, line.name))
