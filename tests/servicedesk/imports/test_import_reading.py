"""Reading tables of text: RFC 4180, and whatever else people send."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from servicedesk.imports.files.columns import HISTORY, PERIODS, UNITS, Columns
from servicedesk.imports.files.reading import MAX_CELL, MAX_ROW, SHOWN, Row, UnreadableFile, open_table, shown

HEADER = "unit,site,installed_on,customer"


def stream(text: str | bytes) -> io.BytesIO:
    return io.BytesIO(text if isinstance(text, bytes) else text.encode())


def rows(text: str | bytes, columns: Columns = UNITS) -> list[Row]:
    with open_table(stream(text), columns) as table:
        return list(table.rows())


def refusal(text: str | bytes, columns: Columns = UNITS) -> UnreadableFile:
    with pytest.raises(UnreadableFile) as caught:
        rows(text, columns)
    return caught.value


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark", [b"", b"\xef\xbb\xbf"], ids=["plain", "with a byte order mark"])
@pytest.mark.parametrize("ending", ["\n", "\r\n", "\r"])
def test_a_table_is_read_whatever_separates_its_cells(delimiter: str, mark: bytes, ending: str) -> None:
    text = ending.join(["unit,site,installed_on", "U1,S1,2020-03-02", "U2,S1,2021-03-02", ""])
    read = rows(mark + text.replace(",", delimiter).encode())
    assert [row.cells for row in read] == [
        {"unit": "U1", "site": "S1", "installed_on": "2020-03-02"},
        {"unit": "U2", "site": "S1", "installed_on": "2021-03-02"},
    ]
    assert [row.line for row in read] == [2, 3]


def test_column_names_ignore_case_spaces_and_hyphens() -> None:
    (row,) = rows(" UNIT ,Site,Installed-On,Year built\nU1,S1,2020-03-02,1968\n")
    assert row.cells == {"unit": "U1", "site": "S1", "installed_on": "2020-03-02", "year_built": "1968"}


def test_a_row_is_named_by_the_line_it_begins_on() -> None:
    """RFC 4180, section 2.6: a quoted cell may hold line breaks, commas and doubled quotes."""
    text = 'unit,on,what,note\nU1,2024-01-01,call,"says\nit ""sticks"",\nagain"\n\nU2,2024-01-01,call,x\n'
    first, second = rows(text, HISTORY)
    assert (first.line, first.cells["note"]) == (2, 'says\nit "sticks",\nagain')
    assert second.line == 6


def test_empty_rows_and_short_rows_are_no_faults() -> None:
    (row,) = rows(f"{HEADER},,\n,,,\nU1,S1,2020-03-02\n\n")
    assert (row.line, row.faults) == (3, [])
    assert row.cells == {"unit": "U1", "site": "S1", "installed_on": "2020-03-02"}


def test_the_apostrophe_before_a_formula_is_taken_off_again() -> None:
    (row,) = rows("unit,site,installed_on,longitude\n'=U1,S1,2020-03-02,'-79.05\n")
    assert (row.cells["unit"], row.cells["longitude"]) == ("=U1", "-79.05")
    (row,) = rows("unit,site,installed_on\n'twas,S1,2020-03-02\n")
    assert row.cells["unit"] == "'twas"


def test_the_column_of_reasons_is_passed_over() -> None:
    (row,) = rows(f"{HEADER},reason\nU1,S1,2020-03-02,Ann Probeson,mend this\n")
    assert "reason" not in row.cells
    assert row.faults == []


@pytest.mark.parametrize(
    ("text", "columns", "words"),
    [
        ("unit,site\nU1,S1\n", ["installed_on"], "is missing"),
        (f"{HEADER},color\n", ["color"], "UNITS may have: unit, site, customer"),
        (f"{HEADER},Unit\n", ["unit"], "two columns named unit"),
        (f"{HEADER},,place\n", [""], "has no name"),
        ("\n\n", [""], "is empty"),
        (b"", [""], "is empty"),
        (b"PK\x03\x04 and so on", [""], "a spreadsheet or another zipped file"),
        (b"\xd0\xcf\x11\xe0 and so on", [""], "an older spreadsheet"),
        (b"<?xml version='1.0'?><a/>", [""], "an XML file"),
        ("unit,site\n".encode("utf-16"), [""], "text in UTF-16"),
        (b"unit,site,installed_on,caf\xe9\n", ["caf "], "is unknown here"),
        (b"\0" * (MAX_ROW + 10), [""], "no table of rows"),
    ],
)
def test_a_file_that_is_no_table_says_what_it_is(text: str | bytes, columns: list[str], words: str) -> None:
    error = refusal(text)
    assert [fault.column for _, fault in error.faults] == columns
    assert words in str(error)


def test_the_header_names_every_fault_at_once_with_its_line() -> None:
    error = refusal("\nunit,color,weight\n")
    assert [(line, fault.column) for line, fault in error.faults] == [
        (2, "color"),
        (2, "weight"),
        (2, "site"),
        (2, "installed_on"),
    ]


@pytest.mark.parametrize(
    "bad",
    [
        'U2,"S1,2020-03-02,x\nU3,S1,2020-03-02,x\n',
        'U2,"S"1,2020-03-02,x\n',
        f'U2,"{"a" * (MAX_ROW + 1)}",x\n',
    ],
    ids=["never closed", "closed too early", "endless"],
)
def test_quotes_that_do_not_close_end_the_reading_at_their_line(bad: str) -> None:
    with open_table(stream(f"{HEADER}\nU1,S1,2020-03-02,x\n{bad}"), UNITS) as table:
        read = table.rows()
        assert next(read).cells["unit"] == "U1"
        with pytest.raises(UnreadableFile) as caught:
            next(read)
    ((line, fault),) = caught.value.faults
    assert line == 3
    assert "do not close" in fault.reason


@pytest.mark.parametrize(
    ("cell", "words"),
    [
        ("x" * (MAX_CELL + 1), "2,001 characters; 2,000 are the most"),
        ("a\0b", "zero byte"),
        ("caf\udce9", "Byte 0xe9, character 4 of the cell on line 2, is not UTF-8"),
    ],
    ids=["too long", "zero byte", "another encoding"],
)
def test_a_cell_that_can_not_be_taken_is_named(cell: str, words: str) -> None:
    text = f"{HEADER}\nU1,S1,2020-03-02,{cell}\n".encode("utf-8", "surrogateescape")
    (row,) = rows(text)
    (fault,) = row.faults
    assert (row.line, fault.column) == (2, "customer")
    assert words in fault.reason
    assert "customer" not in row.cells
    assert fault.value.isprintable()
    assert len(fault.value) <= SHOWN


def test_too_many_cells_are_named_with_the_first_of_them() -> None:
    (row,) = rows("unit,from\nU1,2020-03-02,2021-01-01,2022-01-01\n", PERIODS)
    (fault,) = row.faults
    assert fault.value == "2021-01-01"
    assert "The row has 4 cells, the header 2" in fault.reason


def test_a_long_row_of_short_cells_is_fine() -> None:
    note = "x" * (MAX_CELL - 10)
    (row,) = rows(f"unit,on,what,note,ref\nU1,2024-01-01,call,{note},{note}\n", HISTORY)
    assert row.faults == []


@given(st.text(max_size=400))
def test_what_is_shown_is_one_printable_line(text: str) -> None:
    assert shown(text).isprintable()
    assert len(shown(text)) <= SHOWN


@given(
    st.lists(
        st.lists(st.text(st.characters(exclude_categories=["Cs"]), max_size=12), min_size=3, max_size=3),
        max_size=6,
    )
)
@example([["a\r\nb", '"', ","]])
def test_what_a_csv_writer_writes_comes_back(lines: list[list[str]]) -> None:
    """Python's own csv module is the second opinion: cells come back as written, but for outer spaces."""
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(["unit", "from", "until"])
    writer.writerows(lines)
    text = out.getvalue()
    read = [row for row in rows(text, PERIODS) if not row.faults]
    wanted = [
        {
            name: cell.strip()
            for name, cell in zip(("unit", "from", "until"), line, strict=True)
            if cell.strip()
        }
        for line in lines
    ]
    plain = [
        cells for cells in wanted if cells and not any("\0" in cell or "'" in cell for cell in cells.values())
    ]
    parsed = [row.cells for row in read if not any("'" in cell for cell in row.raw)]
    assert parsed == plain


FRAGMENTS = st.sampled_from(
    [
        b"unit",
        b"site",
        b"installed_on",
        b",",
        b";",
        b"\t",
        b'"',
        b"\n",
        b"\r",
        b"\0",
        b"\xe9",
        b"\xef\xbb\xbf",
        b"2020-03-02",
    ]
)


@given(st.one_of(st.binary(max_size=300), st.lists(FRAGMENTS, max_size=60).map(b"".join)))
@example(b"unit,site,installed_on\n" + b'"' * 9)
def test_any_bytes_are_rows_or_a_named_fault(content: bytes) -> None:
    read: list[Row] = []
    faults = None
    try:
        read = rows(content)
    except UnreadableFile as error:
        faults = error.faults
    assert faults is None or (faults and all(line >= 1 and fault.reason for line, fault in faults))
    assert all(row.cells or row.faults for row in read)
    assert [row.line for row in read] == sorted({row.line for row in read})
