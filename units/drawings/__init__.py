"""SVG drawings of one unit from its own dimensions: an elevation and a section of its track.

This package imports no Django.
"""

from units.drawings.elevation import elevation
from units.drawings.plan import plan
from units.drawings.shape import CORNER_WORDS, Corner, Mark, Release, Side, StackEnd, UnitShape

__all__ = [
    "CORNER_WORDS",
    "Corner",
    "Mark",
    "Release",
    "Side",
    "StackEnd",
    "UnitShape",
    "elevation",
    "plan",
]
