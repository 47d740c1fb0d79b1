"""The check of names finds what it is there to keep out."""

from __future__ import annotations

from tests.check_names import bad_names

SOURCE = """
class Row:
    told: str
    held = 1

def totals(rows, held):
    found = [told for told in rows]
    with open(held) as kept:
        row.asked = found
    return {"found": found}
"""


def test_variables_and_parameters_are_found_and_attributes_are_not() -> None:
    names = [name for _, name in bad_names(SOURCE)]
    assert sorted(names) == ["found", "held", "kept", "told"]
