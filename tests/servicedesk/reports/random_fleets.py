"""Fleets drawn at random with awkward dates: touching spans, gaps, parts of no length, twins, repeats."""

from __future__ import annotations

import random
from datetime import UTC, datetime, time, timedelta

from django.utils import timezone

from servicedesk.calls.models import Call, Finding, Inspection, Work
from servicedesk.core.models import Batch
from servicedesk.reports.questions.selection import Selection, select
from servicedesk.reports.questions.traits import TRAITS, Key
from tests.factories import ConstructionFactory, FailureModeFactory
from tests.servicedesk.reports.small_fleets import DAY_0, day
from units.models import (
    ComponentType,
    Construction,
    FailureMode,
    InstalledPart,
    ObservationPeriod,
    PartialRemoval,
    Site,
    Unit,
)

LAST = 60

BROUGHT_IN = datetime(2020, 1, 1, tzinfo=UTC)


def draw_fleet(seed: int) -> None:
    """Store a fleet of a dozen units over two months, the same for the same seed."""
    dice = random.Random(seed)
    types = [
        ComponentType.objects.create(name=name, kind=kind)
        for name, kind in (("bare", "track"), ("nylon", "track"), ("open", "sash"))
    ]
    modes = [
        FailureModeFactory(kind=kind, only_at_look=number % 2 == 1 and seed % 3 > 0)
        for number, kind in enumerate(("track", "track", "sash", "unit"))
    ]
    constructions = [ConstructionFactory() for _ in range(2)]
    sites = [
        Site.objects.create(
            code=f"S{n}",
            coast=dice.choice(["", "near", "shore"]),
            care_by=dice.choice(["us", "customer", "nobody"]),
        )
        for n in range(5)
    ]
    for number in range(12):
        unit = _draw_unit(dice, number, dice.choice(sites), constructions)
        _draw_periods(dice, unit)
        parts = [part for kind in ("track", "sash") for part in _draw_parts(dice, unit, types, kind)]
        _draw_findings(dice, unit, parts, modes)
        _draw_looks(dice, unit)


def _draw_unit(dice: random.Random, number: int, site: Site, constructions: list[Construction]) -> Unit:
    return Unit.objects.create(
        code=f"U{number}",
        site=site,
        installed_on=DAY_0,
        construction=dice.choice([*constructions, None]),
        finish=dice.choice(["", "white", "dark"]),
        shade=dice.choice(["", "none", "full"]),
        facing=dice.choice([None, *range(0, 360, 15)]),
    )


def _draw_periods(dice: random.Random, unit: Unit) -> None:
    """Watch a unit for up to three spans, some of no length, some meeting."""
    at = dice.choice([0, 0, dice.randint(0, 30)])
    for _ in range(dice.randint(0, 3)):
        end = at + dice.choice([0, 1, dice.randint(2, 25)])
        is_open = dice.random() < 0.4
        ObservationPeriod.objects.create(
            unit=unit,
            from_on=day(at),
            until_on=None if is_open else day(end),
            began=dice.choice(ObservationPeriod.Began.values),
            ended="" if is_open else dice.choice(["removed", "lapsed", "sold"]),
            last_contact_on=dice.choice([None, None, day(dice.randint(at, end))]),
        )
        if is_open:
            return
        at = end + dice.choice([0, 0, 1, dice.randint(2, 10)])


def _draw_parts(
    dice: random.Random, unit: Unit, types: list[ComponentType], kind: str
) -> list[InstalledPart]:
    """Fit up to three parts one after the other into a slot."""
    parts: list[InstalledPart] = []
    at = dice.choice([0, 0, dice.randint(0, 40)])
    for _ in range(dice.randint(1, 3)):
        end = None if dice.random() < 0.4 else at + dice.choice([0, 1, dice.randint(2, 30)])
        part = InstalledPart.objects.create(
            unit=unit,
            component_type=dice.choice([each for each in types if each.kind == kind]),
            kind=kind,
            pieces=dice.randint(1, 8),
            lot=dice.choice(["", "A", "B"]),
            fitted_on=day(at),
            removed_on=None if end is None else day(end),
            age_known=dice.random() < 0.85,
        )
        parts.append(part)
        if part.pieces > 2 and dice.random() < 0.5:
            left = at + dice.randint(0, 20 if end is None else end - at)
            PartialRemoval.objects.create(installed_part=part, panel=1, pieces=1, left_on=day(left))
        if end is None:
            break
        at = end + dice.choice([0, 0, dice.randint(1, 10)])
    return parts


def _draw_findings(
    dice: random.Random, unit: Unit, parts: list[InstalledPart], modes: list[FailureMode]
) -> None:
    """Find failures on days near every edge, some twice, some again, some of no known part."""
    edges = [0, LAST, *(p.fitted_on.toordinal() - DAY_0.toordinal() for p in parts)]
    edges += [p.from_on.toordinal() - DAY_0.toordinal() for p in unit.periods.all()]
    earlier: Finding | None = None
    batch, _ = Batch.objects.get_or_create(started_at=BROUGHT_IN, folder="x", care_by="us", stage="applied")
    for _ in range(dice.randint(3, 12)):
        repeat = dice.random() < 0.15
        imported = dice.random() < 0.5
        earlier = Finding.objects.create(
            unit=unit,
            installed_part=dice.choice([*parts, None]) if dice.random() < 0.3 else dice.choice(parts),
            mode=dice.choice(modes),
            found_on=DAY_0 + timedelta(days=max(0, dice.choice(edges) + dice.randint(-2, 12))),
            panel=dice.choice([None, None, 1]),
            place=dice.choice(["", "", "left"]),
            is_failure=dice.random() < 0.85,
            call=_draw_call(dice, unit),
            repeat=repeat,
            batch=batch if imported else None,
            ref=dice.choice(["", "a", "b"]) if imported else "",
            continues=earlier if repeat and dice.random() < 0.5 else None,
        )


def _draw_call(dice: random.Random, unit: Unit) -> Call | None:
    """Call about it on some day, early or late in it."""
    if dice.random() < 0.5:
        return None
    reported_at = datetime.combine(day(dice.randint(0, LAST)), time(dice.choice([0, 12, 23])))
    return Call.objects.create(site=unit.site, unit=unit, reported_at=timezone.make_aware(reported_at))


def _draw_looks(dice: random.Random, unit: Unit) -> None:
    """Give some units care, and look at some."""
    for _ in range(dice.choice([0, 1, 2])):
        on = day(dice.randint(0, LAST))
        if dice.random() < 0.5:
            Work.objects.create(unit=unit, kind=dice.choice(["cleaned", "checked", "repaired"]), done_on=on)
        else:
            Inspection.objects.create(unit=unit, inspected_on=on, outcome=dice.choice(["fine", "findings"]))


def draw_selections(seed: int) -> list[Selection]:
    """Draw selections: everything, some days, groups of up to two traits, one after two silent years."""
    dice = random.Random(seed)
    days = [(None, None), (5, 40), (20, 20), (None, 30), (31, None), (20, None)]
    mode = dice.choice(list(FailureMode.objects.order_by("pk")))
    selections = []
    for begin, end in days:
        as_of = day(LAST + dice.randint(-3, 3) + (700 if begin == 20 else 0))
        names = dice.sample(sorted(TRAITS), dice.choice([0, 1, 2]))
        selections.append(
            Selection(
                as_of=as_of,
                from_on=None if begin is None else day(begin),
                until_on=None if end is None else day(end),
                mode=dice.choice([None, None, mode.pk]),
                traits=select({name: _some_keys(dice, name) for name in names}),
            )
        )
    return selections


def _some_keys(dice: random.Random, trait: str) -> tuple[Key | None, ...]:
    keys: dict[str, list[Key | None]] = {
        "part": ["track", "sash"],
        "component": list(ComponentType.objects.order_by("pk").values_list("pk", flat=True)),
        "construction": [None, *Construction.objects.order_by("pk").values_list("pk", flat=True)],
        "finish": [None, "white", "dark"],
        "shade": [None, "none", "full"],
        "sun": [None, "full", "some", "little"],
        "facing": [None, *range(8)],
        "coast": [None, "near", "shore"],
        "lot": [None, "A", "B"],
        "year": [None, 2020],
    }
    options = keys[trait]
    return tuple(dice.sample(options, dice.randint(1, len(options))))
