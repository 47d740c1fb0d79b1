"""Positions of sites: their own, or a guess from sites nearby, marked as such."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from statistics import fmean

from django.db.models import Avg

from schedules.models import WorkTerms
from schedules.visits.shifts import Position, base_position
from units.models import Site

NOWHERE: Position = (0.0, 0.0)
AREA = 3
"""So many leading characters of a postcode name an area."""


@dataclass(frozen=True)
class Placed:
    """Position that a site is planned at; ``guessed`` says what a guess goes by."""

    position: Position
    guessed: str = ""


class Atlas:
    """Positions of sites; without one of its own a site is planned in the middle of its postcode's sites."""

    @cached_property
    def _by_postcode(self) -> Mapping[str, Position]:
        rows = Site.objects.filter(latitude__isnull=False).exclude(postcode="").order_by()
        averages = rows.values("postcode").annotate(lat=Avg("latitude"), lon=Avg("longitude"))
        return {row["postcode"]: (float(row["lat"]), float(row["lon"])) for row in averages}

    @cached_property
    def _by_area(self) -> Mapping[str, Position]:
        areas: dict[str, list[Position]] = {}
        for postcode, position in self._by_postcode.items():
            areas.setdefault(postcode[:AREA], []).append(position)
        return {area: _middle(positions) for area, positions in areas.items()}

    @cached_property
    def middle(self) -> Position:
        """Default start of routes: the company, or the mean position of all sites."""
        if base := base_position():
            return base
        average = Site.objects.filter(latitude__isnull=False).aggregate(
            lat=Avg("latitude"), lon=Avg("longitude")
        )
        return NOWHERE if average["lat"] is None else (float(average["lat"]), float(average["lon"]))

    def place(self, site: Site) -> Placed:
        """Position of a site, or a guess from its postcode, else the default start."""
        if site.latitude is not None and site.longitude is not None:
            return Placed((float(site.latitude), float(site.longitude)))
        near = self._by_postcode.get(site.postcode) or self._by_area.get(site.postcode[:AREA])
        if site.postcode and near:
            return Placed(near, guessed="place guessed from the postcode")
        return Placed(self.middle, guessed="no place known: the drive can’t be calculated")


def home_of(terms: WorkTerms | None, atlas: Atlas) -> Position:
    """Position from which a person sets off."""
    if terms is None or terms.latitude is None or terms.longitude is None:
        return atlas.middle
    return float(terms.latitude), float(terms.longitude)


def _middle(positions: Iterable[Position]) -> Position:
    points = list(positions)
    return fmean(point[0] for point in points), fmean(point[1] for point in points)
