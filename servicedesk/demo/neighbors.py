"""Invented customers at invented addresses, and their fates.

This module imports no Django.
"""

from __future__ import annotations

import math
import re
import unicodedata
from collections.abc import Iterator
from datetime import date, timedelta

from servicedesk.demo.dice import Dice
from servicedesk.demo.fleet import DAYS_PER_YEAR, Fate, Neighbor, PlannedSite
from servicedesk.demo.sources import Scenario, Village, Words

KM_PER_DEGREE = 111.32


def years(count: float) -> timedelta:
    """Convert years to whole days."""
    return timedelta(days=round(count * DAYS_PER_YEAR))


def working_day(day: date) -> date:
    """Move a day of the weekend to the Friday before."""
    return day - timedelta(days=max(0, day.weekday() - 4))


def build_sites(scenario: Scenario, *, today: date, dice: Dice) -> list[PlannedSite]:
    """Build the sites in the order in which they became customers."""
    people = _people(scenario.words, dice)
    doors = _doors(scenario.words, dice)
    joined = sorted(day for day in _joining_days(scenario, today=today, dice=dice))
    return [
        _site(number, joined_on, scenario, today=today, dice=dice, people=people, doors=doors)
        for number, joined_on in enumerate(joined, start=1)
    ]


def business_year(scenario: Scenario, day: date, *, today: date) -> int:
    """Index of the scenario's year that contains a day, the oldest being 0; earlier days count to it."""
    count = len(scenario.years)
    return max(0, count - 1 - int((today - day).days / DAYS_PER_YEAR))


def _joining_days(scenario: Scenario, *, today: date, dice: Dice) -> Iterator[date]:
    count = len(scenario.years)
    for index, year in enumerate(scenario.years):
        begins = today - years(count - index)
        for _ in range(year.sites):
            day = begins + timedelta(days=dice.whole(1, 364))
            yield working_day(min(day, today - timedelta(days=4)))


def _site(
    number: int,
    joined_on: date,
    scenario: Scenario,
    *,
    today: date,
    dice: Dice,
    people: Iterator[Neighbor],
    doors: Iterator[tuple[Village, str]],
) -> PlannedSite:
    shares, words = scenario.shares, scenario.words
    village, address = next(doors)
    north = village.north_km + dice.between(-1, 1) * village.spread_km
    east = village.east_km + dice.between(-1, 1) * village.spread_km
    degree = KM_PER_DEGREE * math.cos(math.radians(scenario.latitude))
    coast = "" if dice.happens(shares["coast not recorded"]) else dice.weighted(village.coast)
    taken_over = dice.happens(shares["taken over"])
    return PlannedSite(
        code=f"S{number:03d}",
        address=address,
        postcode=village.postcode,
        latitude=round(scenario.latitude + north / KM_PER_DEGREE, 6),
        longitude=round(scenario.longitude + east / degree, 6),
        year_built=_year_built(joined_on, scenario, dice),
        coast=coast,
        care_by=dice.weighted(scenario.weights["care"]),
        access_note=dice.one_of(words.access_notes) if dice.happens(shares["access note"]) else "",
        customer=next(people),
        joined_on=joined_on,
        taken_over=taken_over,
        fate=_fate(joined_on, scenario, today=today, dice=dice, people=people),
        factor=dice.factor(scenario.site_variance),
    )


def _year_built(joined_on: date, scenario: Scenario, dice: Dice) -> int | None:
    if dice.happens(scenario.shares["year built not known"]):
        return None
    if dice.happens(scenario.shares["built before 1978"]):
        return dice.whole(1921, 1977)
    return dice.whole(1978, joined_on.year - 1)


def _fate(
    joined_on: date, scenario: Scenario, *, today: date, dice: Dice, people: Iterator[Neighbor]
) -> Fate:
    """Draw the fate of a site: it stays for a year at least, and nothing happened in the last month."""
    shares = scenario.shares
    what = dice.weighted(
        {
            "removed": shares["removed"],
            "lapsed": shares["lapsed"],
            "sold": shares["sold"],
            "with us": 1 - shares["removed"] - shares["lapsed"] - shares["sold"],
        }
    )
    span = (today - joined_on).days - 30
    if what == "with us" or span < 400:
        return Fate()
    on = working_day(joined_on + timedelta(days=dice.whole(370, span)))
    if what == "removed":
        return Fate("removed", on)
    if what == "sold":
        return Fate("sold", on, buyer=next(people) if dice.happens(shares["buyer stays with us"]) else None)
    back_on = working_day(on + timedelta(days=dice.whole(240, 900)))
    comes_back = dice.happens(shares["back after a lapse"]) and back_on < today - timedelta(days=30)
    return Fate("lapsed", on, back_on=back_on if comes_back else None)


def _people(words: Words, dice: Dice) -> Iterator[Neighbor]:
    """Generate names, no name twice.

    Area codes with a leading zero are never assigned, and line numbers 0100 to 0199 after 555 are reserved
    for fictional use, so no telephone rings anywhere.
    """
    count = len(words.given_names) * len(words.family_names)
    for index in dice.generator.permutation(count):
        family, given = divmod(int(index), len(words.given_names))
        name = f"{words.given_names[given]} {words.family_names[family]}"
        plain = unicodedata.normalize("NFKD", name).encode("ascii", "ignore").decode().lower()
        yield Neighbor(
            name=name,
            phone=f"(0{dice.whole(10, 99)}) 555-01{dice.whole(0, 99):02d}",
            email=f"{re.sub('[^a-z]+', '.', plain)}@example.org",
        )


def _doors(words: Words, dice: Dice) -> Iterator[tuple[Village, str]]:
    """Generate a house for each site, no house twice."""
    taken = set()
    while True:
        village = dice.one_of(words.villages)
        address = f"{dice.whole(1, 180)} {dice.one_of(village.streets)}, {village.name}"
        if address not in taken:
            taken.add(address)
            yield village, address
