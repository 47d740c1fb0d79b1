"""Maintenance visits of the demo's technicians, at sites whose owners agreed to them.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta

from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import OURS, Fleet, PlannedSite, PlannedUnit, Round
from servicedesk.demo.neighbors import working_day
from servicedesk.demo.sources import Scenario

# Two visits a year: one when tracks are lubricated, one when liners are checked after the summer.
SPRING = (3, 22)
LATE_SUMMER = (8, 18)
SPREAD_DAYS = 52
SETTLED = timedelta(days=30)
"""Time from a unit's installation to its first maintenance."""


def maintenance_rounds(
    sites: Sequence[PlannedSite], scenario: Scenario, *, today: date, dice: Dice
) -> Mapping[str, Sequence[Round]]:
    """Maintenance visits to every site whose maintenance is ours; a few sites are behind by now."""
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
    """Visits on which a unit was maintained: some time after its installation, and under our care."""
    return [
        went
        for went in fleet.rounds.get(unit.site.code, ())
        if went.on > unit.installed_on + SETTLED and _watched_on(unit, went.on)
    ]


def _watched_on(unit: PlannedUnit, day: date) -> bool:
    """Whether a unit was under follow-up on a day (the first day of a period not counted)."""
    return any(begins < day and (ends is None or day <= ends) for begins, ends in unit.periods()) and (
        unit.removed_on is None or day < unit.removed_on
    )


def _days_behind(
    cared_for: Sequence[PlannedSite], scenario: Scenario, *, today: date, dice: Dice
) -> Mapping[str, int]:
    """Number of days without a visit to the sites that are behind."""
    with_us = [
        site
        for site in cared_for
        if site.fate.what == "with us" and site.joined_on < today - timedelta(days=900)
    ]
    return {
        site.code: dice.whole(230, 420) for site in dice.some_of(with_us, scenario.behind_with_maintenance)
    }


def _rounds_of(site: PlannedSite, scenario: Scenario, *, today: date, dice: Dice) -> Iterator[Round]:
    """Visits over the years; a site has about the same week of the season, and some visits are missed.

    In some years all spring maintenance is put off until after the summer.
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
