"""Geometry of an enclosure window: its panels, its opening, and the size to order.

All lengths are ``Decimal`` millimeters, in and out. This package imports no Django.
"""

from units.geometry.openings import (
    JambVerdict,
    Readings,
    Size,
    Squareness,
    can_add_jamb_later,
    check_diagonals,
    compare_readings,
    largest_rectangle_width,
    order_size,
    racking_offset,
    size_warnings,
)
from units.geometry.panels import (
    PANEL_THRESHOLD_MM,
    PanelOrder,
    RemovalOrder,
    open_fraction,
    panel_height,
    removal_order,
    stepped_widths,
    suggest_panels,
)

__all__ = [
    "PANEL_THRESHOLD_MM",
    "JambVerdict",
    "PanelOrder",
    "Readings",
    "RemovalOrder",
    "Size",
    "Squareness",
    "can_add_jamb_later",
    "check_diagonals",
    "compare_readings",
    "largest_rectangle_width",
    "open_fraction",
    "order_size",
    "panel_height",
    "racking_offset",
    "removal_order",
    "size_warnings",
    "stepped_widths",
    "suggest_panels",
]
