"""Tables for spreadsheets: readable again, and nothing in them runs."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import given
from hypothesis import strategies as st

from servicedesk.core.web.exports import csv_response, defuse, write_table


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "\t", "\r"])
def test_text_that_would_run_is_defused(start: str) -> None:
    assert defuse(f"{start}1+1") == f"'{start}1+1"


def test_numbers_stay_numbers() -> None:
    assert defuse(-3) == -3
    assert defuse(None) == ""


@given(
    st.lists(
        st.lists(
            st.text(st.characters(exclude_categories=["Cs"], exclude_characters="\x00")),
            min_size=2,
            max_size=2,
        )
    )
)
def test_every_cell_is_read_back(rows: list[list[str]]) -> None:
    out = io.StringIO(newline="")
    write_table(out, ["a", "b"], rows)
    read = list(csv.reader(io.StringIO(out.getvalue(), newline="")))
    assert read[0] == ["a", "b"]
    assert read[1:] == [[str(defuse(cell)) for cell in row] for row in rows]
    assert not any(cell.startswith(("=", "+", "-", "@", "\t", "\r")) for row in read for cell in row)


def test_the_answer_is_a_download() -> None:
    answer = csv_response("rates.csv", ["part"], [["track"]])
    assert answer["Content-Disposition"] == 'attachment; filename="rates.csv"'
    assert answer.content == b"part\r\ntrack\r\n"
