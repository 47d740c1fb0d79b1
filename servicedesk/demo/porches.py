"""Windows of a demo porch: what they share, and how each differs.

This module imports no Django.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from fractions import Fraction

from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import AsBuilt, PlannedSite, PlannedUnit, millimeters
from servicedesk.demo.neighbors import business_year, working_day, years
from servicedesk.demo.sources import Scenario
from units.geometry.panels import suggest_panels

SIDES = {"front": 0, "left": 270, "right": 90}
FRONTS = {"any": (0, 71), "sunny": (28, 52)}
"""Bearings of the front, as multiples of five degrees."""
LOWEST_WITH_LITE = 62
NOTED_SINCE_YEARS = 4.0
DAY_TEMPERATURES_C = (6, 8, 12, 17, 22, 27, 30, 29, 25, 18, 12, 8)


@dataclass(frozen=True, slots=True)
class Fitting:
    """Installation at a porch: its day, and how its windows are built."""

    on: date
    construction: str
    ours: bool
    lot: str


@dataclass(frozen=True, slots=True)
class Porch:
    """What the windows of one site have in common."""

    site: PlannedSite
    front: int
    finish: str
    shade: str
    floor: str
    height: Fraction
    lite: bool
    jamb: bool
    metal_keys: bool


def fit_out(site: PlannedSite, scenario: Scenario, *, today: date, dice: Dice) -> list[PlannedUnit]:
    """Install the windows of one porch: mostly at once, sometimes in two installations years apart."""
    count = int(dice.weighted(scenario.weights["units at a site"]))
    goes = [_fitting(_first_day(site, dice), scenario, ours=not site.taken_over, today=today, dice=dice)]
    porch = _porch(site, scenario, dice, construction=goes[0].construction)
    second = _second_day(site, scenario, today=today, dice=dice)
    if second is not None and count > 1:
        goes.append(_fitting(second, scenario, ours=True, today=today, dice=dice))
    in_first = (count + 1) // 2 if len(goes) > 1 else count
    taken: set[str] = set()
    return [
        _unit(
            f"{site.code}-{number}", porch, goes[0 if number <= in_first else 1], scenario, taken, dice, today
        )
        for number in range(1, count + 1)
    ]


def _porch(site: PlannedSite, scenario: Scenario, dice: Dice, *, construction: str) -> Porch:
    """Draw a porch; its bearing, shade and color depend on the construction it was built with."""
    shares, weights = scenario.shares, scenario.weights
    around = {**weights, **scenario.surroundings.get(construction, {})}
    height = Fraction(dice.weighted(weights["height, inches"])) + Fraction(dice.whole(-24, 24), 16)
    stands = site.fate.what != "removed"
    return Porch(
        site=site,
        front=5 * dice.whole(*FRONTS[dice.weighted(around["front"])]),
        finish=dice.weighted(around["finish"]),
        shade=dice.weighted(around["shade"]),
        floor=dice.weighted(weights["porch floor, inches"]),
        height=height,
        lite=stands and height >= LOWEST_WITH_LITE and dice.happens(shares["lower lite"]),
        jamb=stands and dice.happens(shares["extension jamb"]),
        metal_keys=dice.happens(shares["metal keys in a stepped unit"]),
    )


def _first_day(site: PlannedSite, dice: Dice) -> date:
    """Day of the first installation: when the site came to us, or years before where others did it."""
    age = years(dice.between(3, 10)) if site.taken_over else timedelta(0)
    return working_day(site.joined_on - age)


def _second_day(site: PlannedSite, scenario: Scenario, *, today: date, dice: Dice) -> date | None:
    """Day of the second installation, if any; nothing is added to a porch that we lost."""
    wanted = dice.happens(scenario.shares["built in two goes"])
    day = working_day(site.joined_on + years(dice.between(1, 4)))
    if not wanted or site.fate.what != "with us" or day > today - timedelta(days=10):
        return None
    return day


def _fitting(on: date, scenario: Scenario, *, ours: bool, today: date, dice: Dice) -> Fitting:
    construction = dice.weighted(scenario.years[business_year(scenario, on, today=today)].mix)
    lot = f"MB-{construction}{on:%y}{(on.month + 2) // 3}"
    return Fitting(on, construction, ours, lot if ours and dice.happens(scenario.shares["in a lot"]) else "")


def _unit(
    code: str, porch: Porch, fitting: Fitting, scenario: Scenario, taken: set[str], dice: Dice, today: date
) -> PlannedUnit:
    """Draw the measurements and properties of one window of a porch."""
    side, place = _place(scenario, taken, dice)
    width = Fraction(dice.weighted(scenario.weights["width, inches"])) + Fraction(dice.whole(-30, 30), 16)
    height = porch.height + Fraction(dice.whole(-2, 2), 16)
    lite = Fraction(dice.whole(34, 42), 2) if porch.lite else None
    counted = not dice.happens(scenario.shares["panels not counted"])
    noted = fitting.ours and today - fitting.on < years(NOTED_SINCE_YEARS)
    metal = porch.metal_keys and fitting.construction == "1"
    return PlannedUnit(
        code=code,
        site=porch.site,
        place=place,
        construction=fitting.construction,
        corner="metal corner key" if metal else "",
        panels=suggest_panels(millimeters(height - (lite or 0))) if counted else None,
        width=width,
        height=height,
        facing=(porch.front + SIDES[side]) % 360,
        shade=dice.one_of(("none", "part", "full")) if dice.happens(0.2) else porch.shade,
        finish=porch.finish,
        above_grade=porch.floor,
        installed_on=fitting.on,
        observed_from=fitting.on if fitting.ours else porch.site.joined_on,
        lot=fitting.lot,
        lower_lite=lite,
        jamb=porch.jamb,
        stack=dice.weighted({"top": 3, "bottom": 2}),
        release_side=dice.one_of(("left", "right")) if fitting.construction != "1" else "both",
        as_built=_as_built(fitting, width, height, scenario, dice) if noted else None,
    )


def _place(scenario: Scenario, taken: set[str], dice: Dice) -> tuple[str, str]:
    """Place on the porch that no other window has."""
    free = [
        (side, place)
        for side, places in scenario.words.places.items()
        for place in places
        if place not in taken
    ]
    side, place = dice.one_of(free)
    taken.add(place)
    return side, place


def _as_built(fitting: Fitting, width: Fraction, height: Fraction, scenario: Scenario, dice: Dice) -> AsBuilt:
    """Measurements of the day; the opening is measured 3/8 to 1/2 in larger than the window."""
    usual = DAY_TEMPERATURES_C[fitting.on.month - 1]
    return AsBuilt(
        crew=dice.one_of(scenario.words.crews),
        day_temperature_c=usual + dice.whole(-5, 5),
        end_gap=Fraction(dice.whole(2, 5), 16) if fitting.construction != "1" else None,
        opening_width=width + Fraction(dice.whole(6, 8), 16),
        opening_height=height + Fraction(dice.whole(6, 8), 16),
    )
