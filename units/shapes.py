"""Drawings of units of the register, from their records."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from functools import lru_cache
from typing import cast

from django.utils.safestring import SafeString

from units.drawings import Mark, UnitShape, elevation, plan
from units.drawings.shape import Release, Side, StackEnd
from units.geometry import PanelOrder, RemovalOrder, removal_order
from units.lengths import LengthUnit
from units.models import Unit

RELEASES: dict[str, Release] = {"pins": "pins", "side_spring": "side spring"}


def shape_of(unit: Unit, *, kinds: Collection[str]) -> UnitShape:
    """Shape of a unit from its own dimensions and its construction.

    A width, edge or step that can't all be true is left out rather than drawn wrong: the drawing then says
    that it is not to scale.
    """
    built = unit.construction
    whole = {
        "width_mm": unit.width_mm,
        "height_mm": unit.height_mm,
        "lower_lite_mm": unit.lower_lite_mm,
        "step_mm": built.step_mm if built and built.panel_order == "stepped" else None,
        "inside_edge_mm": built.inside_edge_mm if built else None,
    }
    for left_out in ((), ("step_mm", "inside_edge_mm")):
        try:
            return _shape(unit, kinds, {name: whole[name] for name in whole if name not in left_out})
        except ValueError:
            continue
    return _shape(unit, kinds, {})


def _shape(unit: Unit, kinds: Collection[str], sizes: Mapping[str, Decimal | None]) -> UnitShape:
    built = unit.construction
    return UnitShape(
        width_mm=sizes.get("width_mm"),
        height_mm=sizes.get("height_mm"),
        lower_lite_mm=sizes.get("lower_lite_mm"),
        step_mm=sizes.get("step_mm"),
        inside_edge_mm=sizes.get("inside_edge_mm"),
        panels=unit.panels,
        order=cast(PanelOrder, built.panel_order if built else "equal"),
        has_lower_lite="lite" in kinds or unit.lower_lite_mm is not None,
        stack_end=cast(StackEnd, unit.stack or "unknown"),
        release=RELEASES.get(built.release if built else "", "unknown"),
        release_side=cast(Side, unit.release_side or "unknown"),
        has_screen="screen" in kinds,
    )


@dataclass(frozen=True)
class UnitDrawings:
    """Drawings of a unit: two SVG elements, and the order of removal (None without a panel count)."""

    elevation: SafeString
    plan: SafeString
    order: RemovalOrder | None


def drawings_of(
    unit: Unit,
    *,
    kinds: Collection[str],
    unit_of_length: LengthUnit,
    marks: Sequence[Mark] = (),
    pick: bool = False,
) -> UnitDrawings:
    """Draw the elevation of a unit and the section of its track, with the order of removal.

    With ``pick`` the elevation has areas to choose panels and corners by.
    """
    shape = shape_of(unit, kinds=kinds)
    front, track = _drawn(shape, unit.code, unit_of_length, tuple(marks), pick)
    return UnitDrawings(
        elevation=SafeString(front),  # the drawings escape every text themselves  # nosec B703
        plan=SafeString(track),  # the same  # nosec B703
        order=removal_order(unit.panels, order=shape.order) if unit.panels else None,
    )


@lru_cache(maxsize=512)  # some 12 MB: the units of a day, which phones fetch again and again
def _drawn(
    shape: UnitShape, code: str, unit_of_length: LengthUnit, marks: tuple[Mark, ...], pick: bool
) -> tuple[str, str]:
    """Draw the elevation and the section of the track (cached)."""
    front = elevation(
        shape,
        title=f"Unit {code}",
        marks=marks,
        id_prefix="elevation",
        unit=unit_of_length,
        titled=False,
        pick=pick,
    )
    track = plan(shape, title=f"Track of unit {code}", id_prefix="plan", unit=unit_of_length, titled=False)
    return front, track
