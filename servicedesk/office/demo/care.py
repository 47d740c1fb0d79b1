"""When the demo's technicians went round to care for the windows of those who had agreed to it.

This module imports no Django.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import date, timedelta

from servicedesk.office.demo.dice import Dice
from servicedesk.office.demo.fleet import Fleet, PlannedSite, PlannedUnit
from servicedesk.office.demo.neighbours import working_day

# Two rounds a year: one when tracks are lubricated, one when liners are checked after the summer.
SPRING = (3, 22)
LATE_SUMMER = (8, 18)
SPREAD_DAYS = 52
MISSED = 0.07
OURS = "us"


@dataclass(frozen=True, slots=True)
class Round:
    """One care visit to a site: on a day, in spring or after the summer."""

    on: date
    spring: bool


Rounds = dict[str, list[Round]]


def care_rounds(fleet: Fleet, *, dice: Dice) -> Rounds:
    """Date the care visits of every site whose care is ours; a few sites are behind by now."""
    cared_for = [site for site in fleet.sites if site.care_by == OURS]
    behind = {site.code: dice.whole(230, 420) for site in _may_be_behind(fleet, cared_for, dice)}
    rounds = {}
    for site in cared_for:
        until = fleet.today - timedelta(days=behind.get(site.code, 1))
        rounds[site.code] = [went for went in _rounds_of(site, fleet, dice) if went.on <= until]
    return rounds


def watched_on(unit: PlannedUnit, day: date) -> bool:
    """Say whether we were looking after a unit on a day (the first day of a period not counted)."""
    return any(begins < day and (ends is None or day <= ends) for begins, ends in unit.periods()) and (
        unit.removed_on is None or day < unit.removed_on
    )


def _may_be_behind(fleet: Fleet, cared_for: list[PlannedSite], dice: Dice) -> list[PlannedSite]:
    with_us = [
        site
        for site in cared_for
        if site.fate.what == "with us" and site.joined_on < fleet.today - timedelta(days=900)
    ]
    return dice.some_of(with_us, fleet.scenario.behind_with_care)


def _rounds_of(site: PlannedSite, fleet: Fleet, dice: Dice) -> Iterator[Round]:
    """Go round the years; a site keeps about the same week of the season, and some rounds are missed."""
    usual = dice.whole(0, SPREAD_DAYS)
    for year in range(site.joined_on.year, fleet.today.year + 1):
        for month, first in (SPRING, LATE_SUMMER):
            late_by = usual + dice.whole(-6, 9)
            on = working_day(date(year, month, first) + timedelta(days=late_by))
            if not dice.happens(MISSED) and site.joined_on + timedelta(days=60) < on:
                yield Round(on, spring=(month, first) == SPRING)
