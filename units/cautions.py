"""Safety cautions for a unit, in our own words, each with its source.

Codes differ by place and edition: every caution is a reason to inspect more closely, never a ruling. The
sentence in `DEFERENCE` is shown with them.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass
from decimal import Decimal

from units.models import Construction, Unit

DEFERENCE = "These are reminders. Your local code, its official, and licensed trades decide."

GUARD_HEIGHT_MM = Decimal(762)  # 30 in
OPENING_HEIGHT_MM = Decimal("1828.8")  # 72 in
LADDER_HEIGHT_MM = Decimal("1828.8")
LEAD_YEAR = 1978
PRACTICE = "common practice, no source"


@dataclass(frozen=True)
class Caution:
    """One danger: what it is, what to do, and where the figure comes from."""

    name: str
    text: str
    source: str


FALL = Caution(
    "Fall from the porch",
    "The porch floor is more than 30 in above the ground. Neither screen nor vinyl panel holds a person; an "
    "open side needs a proper guard. If the guard is missing, loose or cracked, keep people back and stop.",
    "IRC R312.1",
)
OPENING = Caution(
    "Low opening high above the ground",
    "An opening more than 72 in above the ground may need its lowest clear edge at least 24 in above the "
    "floor, or a limiting device. Panels stacked up leave the bottom open: look at every position.",
    "IRC R312.2",
)
HEIGHT_UNKNOWN = Caution(
    "Height not recorded",
    "Nobody has recorded how high the porch floor is above the ground. Look before you open a panel, and "
    "record it.",
    PRACTICE,
)
GLASS = Caution(
    "Glass below the panels",
    "Look for the permanent safety mark on the fixed lower lite; no mark means treat it as unsafe. If it "
    "serves as a guard and is cracked or loose, keep people away, board it the same day and refer it to a "
    "licensed trade.",
    "IRC R308.4 (section numbers differ by edition)",
)
LADDER = Caution(
    "Ladder work outside",
    "Foot the ladder a quarter of its working length out, rails 3 ft above a landing, never on the top step, "
    "10 ft clear of lines. Look the ladder over first and tag a bad one.",
    "29 CFR 1926.1053",
)
LEAD = Caution(
    "Paint from before 1978",
    "The house may hold lead paint. Cutting or sanding painted trim can be work for a certified firm only.",
    "40 CFR 745, subpart E",
)
DROP = Caution(
    "Panel may drop",
    "Before freeing pins or springs, hold the panel up, keep hands out of its path and wear eye protection.",
    PRACTICE,
)
SILICONE = Caution(
    "No silicone on liners",
    "Liners are wiped with mild soap and water. Use silicone only if the maker of the liner says so.",
    PRACTICE,
)
SPRAY = Caution(
    "Silicone spray on the track only",
    "It makes floors slippery and marks screen, vinyl and paint. Mask, ventilate, keep it off ladder rungs.",
    PRACTICE,
)
FILM_COLD = Caution(
    "Vinyl in the cold",
    "Below 50 °F move panels slowly and do not crease the vinyl; below 32 °F leave them as they are.",
    PRACTICE,
)
DUST = Caution(
    "Nests and droppings in channels",
    "Do not sweep or vacuum droppings dry. Air the place, wet them with one part bleach to nine of water, "
    "wait five minutes, wipe up with gloves. Watch for stinging insects in open sash channels.",
    "CDC advice on cleaning up after rodents",
)


_HEAT = (
    (115, "very high: put the work off, or do it in the early morning with a second person watching"),
    (103, "high: breaks in the shade every hour, water within reach, nobody alone"),
    (91, "moderate: water every quarter of an hour, breaks in the shade"),
)


def heat_caution(heat_index_f: float) -> Caution | None:
    """Caution for work outside at a heat index in °F; None below 91."""
    words = next((words for least, words in _HEAT if heat_index_f >= least), None)
    if words is None:
        return None
    text = (
        f"Heat index {heat_index_f:g} °F, {words}. Somebody new to the heat begins with a fifth of the day. "
        "Confused or fainting: emergency call, and cool them at once."
    )
    return Caution("Heat", text, "OSHA heat index guide; NIOSH 2016-106")


def cautions_for(unit: Unit, *, kinds: Collection[str], type_names: Collection[str] = ()) -> list[Caution]:
    """Cautions that apply to a unit by what is recorded of it, the gravest first."""
    cautions = []
    above = unit.above_grade_mm
    if above is None:
        cautions.append(HEIGHT_UNKNOWN)
    elif above > GUARD_HEIGHT_MM:
        cautions.append(FALL)
    if above is not None and above > OPENING_HEIGHT_MM:
        cautions.append(OPENING)
    if "lite" in kinds or unit.lower_lite_mm:
        cautions.append(GLASS)
    if "release" in kinds:
        cautions.append(DROP)
    if above is not None and above + (unit.height_mm or 0) > LADDER_HEIGHT_MM:
        cautions.append(LADDER)
    if unit.site.year_built is not None and unit.site.year_built < LEAD_YEAR:
        cautions.append(LEAD)
    if unit.construction is not None:
        stepped = unit.construction.panel_order == Construction.PanelOrder.STEPPED
        cautions.append(SPRAY if stepped else SILICONE)
    if any("open" in name for name in type_names):
        cautions.append(DUST)
    if "film" in kinds:
        cautions.append(FILM_COLD)
    return cautions
