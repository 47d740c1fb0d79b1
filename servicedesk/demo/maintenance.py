"""When the demo's technicians went round to care for the windows of those who had agreed to it.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import OURS, Fleet, PlannedSite, PlannedUnit, Round
from servicedesk.demo.neighbors import working_day
from servicedesk.demo.sources import Scenario

# Two rounds a year: one when tracks are lubricated, one when liners are checked after the summer.
SPRING = (3, 22)
LATE_SUMMER = (8, 18)
SPREAD_DAYS = 52
SETTLED = timedelta(days=30)
"""How long a unit has been up before it gets its first care."""


def maintenance_rounds(
    sites: Sequence[PlannedSite], scenario: Scenario, *, today: date, dice: Dice
) -> Mapping[str, Sequence[Round]]:
    """Date the care visits of every site whose care is ours; a few sites are behind by now."""
    cared_for = [site for site in sites if site.care_by == OURS]
    behind = _days_behind(cared_for, scenario, today=today, dice=dice)
    rounds = {}
    for site in cared_for:
        until = today - timedelta(days=behind.get(site.code, 1))
        rounds[site.code] = [
            went for went in _rounds_of(site, scenario, today=today, dice=dice) if went.on <= until
        ]
    return rounds


def maintenance_of(unit: PlannedUnit, fleet: Fleet) -> list[Round]:
    """List the rounds on which a unit was cared for: it was settled, and we were looking after it."""
    return [
        went
        for went in fleet.rounds.get(unit.site.code, ())
        if went.on > unit.installed_on + SETTLED and _watched_on(unit, went.on)
    ]


def _watched_on(unit: PlannedUnit, day: date) -> bool:
    """Say whether we were looking after a unit on a day (the first day of a period not counted)."""
    return any(begins < day and (ends is None or day <= ends) for begins, ends in unit.periods()) and (
        unit.removed_on is None or day < unit.removed_on
    )


def _days_behind(
    cared_for: Sequence[PlannedSite], scenario: Scenario, *, today: date, dice: Dice
) -> Mapping[str, int]:
    """Say for how many days nobody went to the sites that are behind."""
    with_us = [
        site
        for site in cared_for
        if site.fate.what == "with us" and site.joined_on < today - timedelta(days=900)
    ]
    return {
        site.code: dice.whole(230, 420) for site in dice.some_of(with_us, scenario.behind_with_maintenance)
    }


def _rounds_of(site: PlannedSite, scenario: Scenario, *, today: date, dice: Dice) -> Iterator[Round]:
    """Go round the years; a site keeps about the same week of the season, and some rounds are missed.

    In some years all that is done in spring is put off until after the summer.
    """
    shares = scenario.shares
    usual = dice.whole(0, SPREAD_DAYS)
    for year in range(site.joined_on.year, today.year + 1):
        put_off = dice.happens(shares["spring care put off until after the summer"])
        for month, first in (SPRING, LATE_SUMMER):
            spring = (month, first) == SPRING
            late_by = usual + dice.whole(-6, 9)
            on = working_day(date(year, month, first) + timedelta(days=late_by))
            missed = dice.happens(shares["care round missed"]) or (spring and put_off)
            if not missed and site.joined_on + timedelta(days=60) < on:
                yield Round(on, lubricated=spring or put_off)
