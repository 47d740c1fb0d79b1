"""Ages of parts at maintenance."""

# values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from servicedesk.reports.histories import Flags, Ints
from servicedesk.reports.queries.scope import WITH_REPAIR, Scope
from servicedesk.reports.queries.standing import PLACED
from servicedesk.reports.questions.selection import Selection


def read_maintenance(selection: Selection, *, work: str) -> tuple[Ints, Ints, Flags]:
    """Read the ages at which the parts of a selection got work of one kind, or their unit as a whole.

    Returns
    -------
    item, age : ndarray
        Part and its age in days.
    own : ndarray
        Whether it was done on its own that day, and not with the repair of a failure.
    """
    scope = Scope(selection.always())
    scope.params["work"] = work
    age = f"{scope.day('k.done_on')} - {scope.day('f.fitted_on')}"
    rows = scope.whole_numbers(
        f"SELECT f.id, {age}, MAX(CASE WHEN {WITH_REPAIR} THEN 0 ELSE 1 END) {PLACED}"
        " JOIN calls_work k ON k.unit_id = u.id AND (k.installed_part_id = f.id OR k.installed_part_id IS "
        "NULL)"
        f" WHERE k.kind = %(work)s AND k.done_on >= f.fitted_on AND k.done_on <= %(as_of)s"
        f"{scope.where('f', 'u', 's')} GROUP BY f.id, k.done_on, f.fitted_on",
        width=3,
    )
    return rows[:, 0], rows[:, 1], rows[:, 2] == 1
