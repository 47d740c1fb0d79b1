"""Inputs of a drawing: the shape of a unit, and the places where it failed before."""

from __future__ import annotations

from dataclasses import dataclass
from decimal import Decimal
from typing import Final, Literal, NamedTuple, get_args

from servicedesk.core.values.words import count
from units.geometry import PanelOrder, stepped_widths

StackEnd = Literal["top", "bottom", "unknown"]
Release = Literal["pins", "side spring", "unknown"]
Side = Literal["left", "right", "both", "unknown"]
Corner = Literal["UL", "UR", "LL", "LR"]

MAX_PANELS: Final = 12
CORNER_WORDS: Final[dict[Corner, str]] = {
    "UL": "upper left",
    "UR": "upper right",
    "LL": "lower left",
    "LR": "lower right",
}


class Mark(NamedTuple):
    """A failure found before: at which panel, at which corner (None: not at a corner), and what it was."""

    panel: int
    corner: Corner | None
    label: str


@dataclass(frozen=True, slots=True, kw_only=True)
class UnitShape:
    """Dimensions and construction of one unit for its drawing; None stands for what is not measured.

    Parameters
    ----------
    width_mm, height_mm
        Outer size of the frame.
    panels
        How many panels slide, None if nobody has counted them.
    order
        Stepped (each panel fits one channel) or equal.
    step_mm
        How much a stepped track narrows from channel to channel, on each side. Equal panels have none.
    lower_lite_mm
        Height of the fixed lower lite, None if there is none or its height is unknown.
    has_lower_lite
        That there is one, for a lite nobody has measured.
    stack_end
        Where the open panels gather.
    release, release_side
        What lets a panel go, and on which side, seen from inside.
    has_screen
        Whether there is a screen behind the panels.
    inside_edge_mm
        How thick the frame is at its inside edge.
    panel_width_mm
        Width of panel 1, where it was measured; otherwise it is computed from frame and inside edge.
    """

    width_mm: Decimal | None
    height_mm: Decimal | None
    panels: int | None
    order: PanelOrder
    step_mm: Decimal | None = None
    lower_lite_mm: Decimal | None = None
    has_lower_lite: bool = False
    stack_end: StackEnd = "unknown"
    release: Release = "unknown"
    release_side: Side = "unknown"
    has_screen: bool = True
    inside_edge_mm: Decimal | None = None
    panel_width_mm: Decimal | None = None

    def __post_init__(self) -> None:
        """Refuse a shape that no window can have, before anything is drawn from it."""
        _need_one_of("panel order", self.order, get_args(PanelOrder))
        _need_one_of("stack end", self.stack_end, get_args(StackEnd))
        _need_one_of("release", self.release, get_args(Release))
        _need_one_of("release side", self.release_side, get_args(Side))
        if self.panels is not None and not 1 <= self.panels <= MAX_PANELS:
            raise ValueError(f"A unit has 1 to {MAX_PANELS} panels, not {self.panels}: count again.")
        for name, length in (
            ("width", self.width_mm),
            ("height", self.height_mm),
            ("step", self.step_mm),
            ("height of the lower lite", self.lower_lite_mm),
            ("inside edge", self.inside_edge_mm),
            ("width of panel 1", self.panel_width_mm),
        ):
            if length is not None and not (length.is_finite() and length > 0):
                raise ValueError(f"The {name} must be more than nothing, not {length} mm.")
        self._check_height()
        self._check_width()

    def _check_height(self) -> None:
        edges = 2 * (self.inside_edge_mm or Decimal(0))
        taken = edges + (self.lower_lite_mm or Decimal(0))
        if self.height_mm is not None and taken >= self.height_mm:
            raise ValueError("Lower lite and frame are as high as the unit: check the heights.")

    def _check_width(self) -> None:
        if self.width_mm is None:
            room = None
        else:
            room = self.width_mm - 2 * (self.inside_edge_mm or Decimal(0))
            if room <= 0:
                raise ValueError("The inside edges take the whole width: check edge and width.")
            if self.panel_width_mm is not None and self.panel_width_mm > self.width_mm:
                raise ValueError("Panel 1 is wider than the unit: check both widths.")
        widest = self.panel_width_mm or room
        if widest is not None and self.panels is not None and self.order == "stepped" and self.step_mm:
            stepped_widths(widest, panels=self.panels, step_mm=self.step_mm)

    @property
    def lite_is_there(self) -> bool:
        """Whether the unit has a fixed lower lite, measured or not."""
        return self.has_lower_lite or self.lower_lite_mm is not None

    @property
    def widest_panel_mm(self) -> Decimal | None:
        """Width of panel 1, measured or computed as the frame less its inside edges; None if unknown."""
        if self.panel_width_mm is not None:
            return self.panel_width_mm
        if self.width_mm is None or self.inside_edge_mm is None:
            return None
        return self.width_mm - 2 * self.inside_edge_mm

    @property
    def steps_unknown(self) -> bool:
        """Whether the track is stepped but nobody has measured by how much."""
        return self.order == "stepped" and self.step_mm is None

    def panel_widths(self, widest_mm: Decimal) -> tuple[Decimal, ...]:
        """Widths of all panels from the inside out, when panel 1 is this wide."""
        count = self.panels or 0
        if self.order == "stepped" and self.step_mm is not None and count:
            return stepped_widths(widest_mm, panels=count, step_mm=self.step_mm)
        return (widest_mm,) * count

    def release_words(self) -> str:
        """Sentence about the release and its side."""
        if self.release == "unknown":
            return "How a panel is let go is not recorded."
        one = self.release_side in ("left", "right")
        where = {
            "left": "on the left",
            "right": "on the right",
            "both": "on both sides",
            "unknown": "on a side not recorded",
        }[self.release_side]
        if self.release == "pins":
            return f"Push pins {where}."
        if not one:
            return f"Side spring {where}."
        other = "right" if self.release_side == "left" else "left"
        return f"Side spring {where}: push the panel toward it, then swing the {other} side out."

    def stack_words(self) -> str:
        """Sentence about where the open panels stack."""
        if self.stack_end == "unknown":
            drawn = "; they are drawn stacking up" if self.panels else ""
            return f"Where the panels stack is not recorded{drawn}."
        return f"Panels stack {'up' if self.stack_end == 'top' else 'down'}."


def check_marks(marks: tuple[Mark, ...], *, shape: UnitShape) -> None:
    """Refuse a mark at a panel or a corner that the unit does not have."""
    there = f"the unit has {count(shape.panels, 'panel')}" if shape.panels else "the panels are not counted"
    for panel, corner, _ in marks:
        if not 1 <= panel <= (shape.panels or 0):
            raise ValueError(f"There is no panel {panel} to mark: {there}.")
        if corner is not None and corner not in CORNER_WORDS:
            raise ValueError(f"A panel has the corners UL, UR, LL and LR, not {corner!r}.")


def _need_one_of(name: str, value: str, choices: tuple[str, ...]) -> None:
    if value not in choices:
        raise ValueError(f"The {name} is one of {', '.join(choices)}, not {value!r}.")
