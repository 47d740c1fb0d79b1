"""Predicted failure modes for a symptom at a unit, from the company's findings, and their accuracy."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass
from heapq import nlargest

from django.core.cache import cache
from django.db.models import Count, Max
from redis.exceptions import RedisError

from servicedesk.calls.models import Finding
from servicedesk.calls.symptoms import MODES_BEHIND
from servicedesk.core.values.words import count
from servicedesk.reports.numerics.prediction.likely import backed_off_chances
from units.models import FailureMode, Unit

BEHIND, EXPECTED, ELSE = 12.0, 2.0, 1.0
"""Prior weights of a mode: listed for the symptom, expected on the construction, or neither (starting values,
common practice, no source)."""

FIRST = 3

FEW_FINDINGS = 5_000
KEPT_SECONDS = 600
"""Up to this many findings are counted each time; the counts of more are cached for ten minutes: a phone that
stores a day's units would count a large fleet's findings once for each, and a few more change nothing."""

Records = Mapping[tuple[str, int | None, int], int]
"""Counts of findings by symptom ("" where nobody called), construction, and key of the mode."""


@dataclass(frozen=True)
class LikelyMode:
    """Failure mode with its probability."""

    mode: FailureMode
    chance: float

    @property
    def percent(self) -> int:
        """Probability in whole percent."""
        return round(100 * self.chance)


@dataclass(frozen=True)
class Likely:
    """Failure modes that a unit's parts can have, the likeliest first, and the number of records used."""

    modes: Sequence[LikelyMode]
    own_records: int
    all_records: int

    @property
    def words(self) -> str:
        """Sentence on the number of records behind the order."""
        if self.all_records == 0:
            return "No finding of ours yet: this order is a starting point."
        if self.own_records < FIRST * 3:
            return f"Few findings on this construction ({self.own_records}), so others count in."
        return f"From {count(self.own_records, 'finding')} on this construction."


def likely_modes(
    unit: Unit, modes: Sequence[FailureMode], *, symptom: str = "", records: Records | None = None
) -> Likely:
    """Rank the failure modes a unit can have by probability, given a symptom where there is one."""
    if not modes:
        return Likely((), 0, 0)
    places = {mode.pk: place for place, mode in enumerate(modes)}
    every, own = [0] * len(places), [0] * len(places)
    for (reported, construction, mode), number in (read_records() if records is None else records).items():
        if mode not in places or (symptom and reported != symptom):
            continue
        every[places[mode]] += number
        if construction == unit.construction_id:
            own[places[mode]] += number
    estimate = backed_off_chances(_prior(unit, modes, symptom), [every, own])
    order = sorted(range(len(modes)), key=lambda place: (-estimate.chances[place], modes[place].code))
    return Likely(
        [LikelyMode(modes[place], estimate.chances[place]) for place in order],
        estimate.own_records,
        estimate.all_records,
    )


def _prior(unit: Unit, modes: Sequence[FailureMode], symptom: str) -> list[float]:
    behind = set(MODES_BEHIND.get(symptom, ()))
    expected = {mode.pk for mode in unit.construction.expected_modes.all()} if unit.construction else set()
    return [
        ELSE + (BEHIND if mode.code in behind else 0) + (EXPECTED if mode.pk in expected else 0)
        for mode in modes
    ]


def read_records() -> Records:
    """Counts of the findings of all units; of a large fleet they may be ten minutes old."""
    if (Finding.objects.aggregate(last=Max("pk"))["last"] or 0) <= FEW_FINDINGS:
        return _count_records()
    with suppress(RedisError):
        cached: Records | None = cache.get("likely:records")
        if cached is not None:
            return cached
    counted = _count_records()
    with suppress(RedisError):
        cache.set("likely:records", counted, timeout=KEPT_SECONDS)
    return counted


def _count_records() -> Records:
    rows = (
        Finding.objects.filter(is_failure=True, repeat=False)
        .order_by()
        .values_list("call__symptom", "unit__construction", "mode")
        .annotate(number=Count("pk"))
    )
    counted: Counter[tuple[str, int | None, int]] = Counter()
    for symptom, construction, mode, number in rows:
        counted[symptom or "", construction, mode] += number
    return dict(counted)


@dataclass(frozen=True)
class Rightness:
    """Accuracy of predicted modes: how often the mode found was among the first three."""

    calls: int
    among_first: int
    expected: float

    @property
    def percent(self) -> int:
        """Correct predictions in whole percent."""
        return round(100 * self.among_first / self.calls) if self.calls else 0

    @property
    def expected_percent(self) -> int:
        """Correct predictions expected by the probabilities themselves, in whole percent."""
        return round(100 * self.expected)


def how_often_right() -> Rightness:
    """Prequential accuracy: predict each finding of a call from those before it only."""
    modes = list(FailureMode.objects.order_by("code"))
    places = {mode.pk: place for place, mode in enumerate(modes)}
    worth = {
        symptom: [ELSE + (BEHIND if mode.code in MODES_BEHIND.get(symptom, ()) else 0.0) for mode in modes]
        for symptom in ("", *MODES_BEHIND)
    }
    parts = _kinds_by_unit()
    every: defaultdict[str, list[int]] = defaultdict(lambda: [0] * len(modes))
    own: defaultdict[tuple[str, int | None], list[int]] = defaultdict(lambda: [0] * len(modes))
    calls = right = 0
    expected = 0.0
    rows = (
        Finding.objects.filter(call__isnull=False, is_failure=True, repeat=False)
        .order_by("found_on", "pk")
        .values_list("mode", "call__symptom", "unit", "unit__construction")
    )
    for mode, symptom, unit, construction in rows:
        prior = worth.get(symptom, worth[""])
        if unit in parts:
            can = parts[unit]
            prior = [each if mode.kind in can else 0.0 for each, mode in zip(prior, modes, strict=True)]
        place = places[mode]
        if prior[place] > 0:
            chances = backed_off_chances(prior, [every[symptom], own[symptom, construction]]).chances
            first = nlargest(FIRST, range(len(chances)), key=chances.__getitem__)
            calls += 1
            right += place in first
            expected += sum(chances[place] for place in first)
        every[symptom][place] += 1
        own[symptom, construction][place] += 1
    return Rightness(calls, right, expected / calls if calls else 0.0)


def _kinds_by_unit() -> dict[int, set[str]]:
    from units.models import InstalledPart

    kinds: defaultdict[int, set[str]] = defaultdict(set)
    for unit, kind in InstalledPart.objects.values_list("unit", "kind").distinct():
        kinds[unit].add(kind)
    return kinds
