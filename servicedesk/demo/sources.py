"""Input of the demo: the scenario, the word lists and the true hazards, read from their files.

This module imports no Django.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

MONTH_DAYS = (31, 28.25, 31, 30, 31, 30, 31, 31, 30, 31, 30, 31)


@dataclass(frozen=True, slots=True)
class Year:
    """Year of business: how many sites came, and their constructions."""

    sites: int
    mix: Mapping[str, float]


@dataclass(frozen=True, slots=True)
class BadLot:
    """Lot of parts that fails early, and its share."""

    component_type: str
    construction: str
    lot: str
    sites: int
    years_ago: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Retrofit:
    """Parts of a construction (or of any, where empty) replaced by another type at some sites."""

    construction: str
    to: str
    sites: int
    after_years: tuple[float, float]


@dataclass(frozen=True, slots=True)
class PanelKeys:
    """Keys of one panel replaced by another type in a few units."""

    construction: str
    to: str
    units: int
    after_years: tuple[float, float]


@dataclass(frozen=True, slots=True)
class Person:
    """User of the demo."""

    username: str
    name: str
    role: str
    password: str


@dataclass(frozen=True, slots=True)
class Part:
    """Type of part that units of a construction come with."""

    component_type: str
    kind: str
    pieces: int
    each_panel: bool
    optional: bool


@dataclass(frozen=True, slots=True)
class Village:
    """Invented place with its streets, and the exposure of its houses to the coast."""

    name: str
    postcode: str
    east_km: float
    north_km: float
    spread_km: float
    coast: Mapping[str, float]
    streets: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Words:
    """Words from which addresses, people and notes are generated."""

    villages: tuple[Village, ...]
    given_names: tuple[str, ...]
    family_names: tuple[str, ...]
    places: Mapping[str, tuple[str, ...]]
    access_notes: tuple[str, ...]
    nothing_found: tuple[str, ...]
    crews: tuple[str, ...]
    complaints: Mapping[str, tuple[str, ...]]


@dataclass(frozen=True, slots=True, eq=False)
class Hazard:
    """True hazard of one failure mode of parts of a type (power law).

    By age ``t`` (in years) an item has failed ``(t / scale_years) ** shape`` times on average, before the
    factors of its site, its surroundings and the season. ``season`` holds twelve monthly factors with a mean
    of one over the year. With ``care_shape``, parts at sites whose maintenance is ours fail
    ``years ** care_shape`` times as often by so many years after they were lubricated: as often as without it
    in a whole year, less often before and more often after.
    """

    component_type: str
    mode: str
    shape: float
    scale_years: float
    season: tuple[float, ...]
    effects: Mapping[str, Mapping[str, float]]
    place: str
    work: str
    found_on_maintenance: float
    wear_only: float
    comes_back: float
    maintenance_shape: float = 1.0


@dataclass(frozen=True, slots=True)
class Scenario:
    """All input of the demo company."""

    seed: int
    company: str
    county: str
    latitude: float
    longitude: float
    years: tuple[Year, ...]
    shares: Mapping[str, float]
    weights: Mapping[str, Mapping[str, float]]
    surroundings: Mapping[str, Mapping[str, Mapping[str, float]]]
    bad_lot: BadLot
    retrofits: tuple[Retrofit, ...]
    panel_keys: PanelKeys
    behind_with_maintenance: int
    calls_in_vain: float
    whole_unit: float
    people: tuple[Person, ...]
    words: Words
    site_variance: float
    hazards: tuple[Hazard, ...]
    parts: Mapping[str, tuple[Part, ...]]
    kinds: Mapping[str, str]
    minutes: Mapping[str, int]


def read_scenario(fixtures: Path) -> Scenario:
    """Read the demo's files below ``fixtures`` and the constructions it builds from."""
    data = _read(fixtures / "demo" / "scenario.json")
    hazards = _read(fixtures / "demo" / "hazards.json")
    reference = fixtures / "reference"
    kinds = {row["name"]: row["kind"] for row in _read(reference / "component_types.json")}
    return Scenario(
        seed=data["seed"],
        company=data["company"],
        county=data["county"],
        latitude=data["center"]["latitude"],
        longitude=data["center"]["longitude"],
        years=tuple(Year(**row) for row in data["years"]),
        shares=data["shares"],
        weights=data["weights"],
        surroundings=data["surroundings"],
        bad_lot=BadLot(**_with_range(data["bad_lot"], "years_ago")),
        retrofits=tuple(Retrofit(**_with_range(row, "after_years")) for row in data["retrofits"]),
        panel_keys=PanelKeys(**_with_range(data["panel_keys"], "after_years")),
        behind_with_maintenance=data["behind_with_maintenance"],
        calls_in_vain=data["calls_in_vain_per_100_unit_years"] / 100,
        whole_unit=data["whole_unit_per_100_unit_years"] / 100,
        people=tuple(Person(**row) for row in data["people"]),
        words=_words(_read(fixtures / "demo" / "words.json")),
        site_variance=hazards["site_variance"],
        hazards=tuple(_hazard(row, hazards["seasons"]) for row in hazards["rows"]),
        parts={row["code"]: _parts(row, kinds) for row in _read(reference / "constructions.json")},
        kinds=kinds,
        minutes={row["code"]: row["minutes"] for row in _read(reference / "failure_modes.json")},
    )


def even_season(weights: list[float]) -> tuple[float, ...]:
    """Normalize monthly weights to a mean of one over the days of a year."""
    whole = sum(weight * days for weight, days in zip(weights, MONTH_DAYS, strict=True))
    return tuple(weight * sum(MONTH_DAYS) / whole for weight in weights)


def _read(path: Path) -> Any:
    return json.loads(path.read_text(encoding="utf-8"))


def _with_range(row: dict[str, Any], field: str) -> dict[str, Any]:
    low, high = row[field]
    return row | {field: (low, high)}


def _words(data: dict[str, Any]) -> Words:
    villages = tuple(Village(**row | {"streets": tuple(row["streets"])}) for row in data["villages"])
    return Words(
        villages=villages,
        given_names=tuple(data["given_names"]),
        family_names=tuple(data["family_names"]),
        places={side: tuple(places) for side, places in data["places"].items()},
        access_notes=tuple(data["access_notes"]),
        nothing_found=tuple(data["nothing_found"]),
        crews=tuple(data["crews"]),
        complaints={code: tuple(words) for code, words in data["complaints"].items()},
    )


def _hazard(row: dict[str, Any], seasons: dict[str, list[float]]) -> Hazard:
    constant = "per_100_item_years" in row
    return Hazard(
        component_type=row["component_type"],
        mode=row["mode"],
        shape=1.0 if constant else row["shape"],
        scale_years=100 / row["per_100_item_years"] if constant else row["scale_years"],
        season=even_season(seasons[row["season"]] if "season" in row else [1.0] * 12),
        effects=row.get("effects", {}),
        place=row["place"],
        work=row["work"],
        found_on_maintenance=row["found_on_maintenance"],
        wear_only=row["wear_only"],
        comes_back=row["comes_back"],
        maintenance_shape=row.get("maintenance_shape", 1.0),
    )


def _parts(row: dict[str, Any], kinds: Mapping[str, str]) -> tuple[Part, ...]:
    return tuple(
        Part(
            component_type=part["component_type"],
            kind=kinds[part["component_type"]],
            pieces=part.get("pieces", 1),
            each_panel=part.get("each_panel", False),
            optional=part.get("optional", False),
        )
        for part in row["parts"]
    )
