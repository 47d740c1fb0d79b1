"""When parts got the care a rule asks for."""

# values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from servicedesk.reports.histories import Ints
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.queries.standing import PLACED
from servicedesk.reports.selection import Selection


def read_care(selection: Selection, *, work: str) -> tuple[Ints, Ints]:
    """Read when the parts of a selection got work of one kind, on the part or on its unit as a whole.

    Returns
    -------
    item, age : ndarray
        Part and its age in days.
    """
    scope = Scope(selection.always())
    scope.params["work"] = work
    rows = scope.whole_numbers(
        f"SELECT DISTINCT f.id, {scope.day('k.done_on')} - {scope.day('f.fitted_on')} {PLACED}"
        " JOIN calls_work k ON k.unit_id = u.id AND (k.fitment_id = f.id OR k.fitment_id IS NULL)"
        f" WHERE k.kind = %(work)s AND k.done_on >= f.fitted_on AND k.done_on <= %(as_of)s"
        f"{scope.where('f', 'u', 's')}",
        width=2,
    )
    return rows[:, 0], rows[:, 1]
