"""Environment of parts: the sun on their unit and its color."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

import numpy as np

from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.questions.traits import NOT_RECORDED, SUNS, TRAITS
from servicedesk.reports.rates.strata import Traits
from units.models import Unit


def read_traits(selection: Selection) -> Traits:
    """Read sun and color of the parts of a selection, at risk or not, in the order of their keys."""
    scope = Scope(selection.always())
    rows = scope.rows(
        f"SELECT f.id, {scope.expression(TRAITS['sun'])}, u.finish"
        " FROM units_installedpart f JOIN units_unit u ON u.id = f.unit_id"
        f" WHERE TRUE{scope.of_installed_parts()}{scope.of_units()} ORDER BY f.id"
    )
    finishes = [value for value in Unit.Finish.values if value]
    colors = [*(str(Unit.Finish(value).label) for value in finishes), f"color {NOT_RECORDED}"]
    suns = [*SUNS, None]
    place = {value: number for number, value in enumerate([*finishes, ""])}
    return Traits(
        item=np.array([row[0] for row in rows], dtype=np.int64),
        sun=np.array([suns.index(row[1]) for row in rows], dtype=np.int64),
        color=np.array([place[row[2]] for row in rows], dtype=np.int64),
        suns=[*SUNS.values(), f"sun {NOT_RECORDED}"],
        colors=colors,
        sun_keys=suns,
        color_keys=[*finishes, None],
    )
