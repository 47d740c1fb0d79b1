"""Files that nobody should send: whatever the bytes, rows and named faults or one refusal, in flat memory."""

from __future__ import annotations

import io
import tracemalloc
import zipfile
from collections.abc import Callable
from datetime import date
from decimal import Decimal
from typing import Any

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from servicedesk.imports.files import cells
from servicedesk.imports.files.columns import HISTORY, PERIODS, UNITS, Columns
from servicedesk.imports.files.reading import MAX_CELL, MAX_ROW, SHOWN, UnreadableFile, open_table

HEADERS = {
    UNITS: b"unit,site,installed_on,customer",
    PERIODS: b"unit,from,until",
    HISTORY: b"unit,on,what,note",
}
PIECES = st.sampled_from(
    [
        *(
            b'"',
            b'""',
            b",",
            b";",
            b"\t",
            b"\n",
            b"\r",
            b"\r\n",
            b"\0",
            b"\xef\xbb\xbf",
            b"\xff",
            b"\xed\xa0\x80",
        ),
        *(b"U1", b"2020-03-02", b"=1+1", b"'=1", b"a" * (MAX_CELL + 1), b"x," * 200, b"\x1a", b"\xc2\x85"),
    ]
)
content = st.lists(PIECES | st.binary(max_size=8), max_size=25).map(b"".join)


@given(columns=st.sampled_from(list(HEADERS)), body=content, header=st.booleans(), mark=st.booleans())
@example(columns=UNITS, body=b'\n"' + b"a" * (MAX_ROW + 10), header=True, mark=True)
@example(columns=HISTORY, body=b"\n" + b'"\n' * 70_000, header=True, mark=False)
def test_any_bytes_are_rows_with_named_faults_or_a_refusal(
    columns: Columns, body: bytes, header: bool, mark: bool
) -> None:
    whole = (b"\xef\xbb\xbf" if mark else b"") + (HEADERS[columns] if header else b"") + body
    try:
        with open_table(io.BytesIO(whole), columns) as table:
            rows = list(table.rows())
    except UnreadableFile as refusal:
        faults = [fault for _, fault in refusal.faults]
        assert faults
    else:
        faults = [fault for row in rows for fault in row.faults]
        for row in rows:
            assert set(row.cells) <= set(columns.names)
            for cell in row.cells.values():
                assert cell.encode().decode() == cell
                assert 0 < len(cell) <= MAX_CELL
                assert "\0" not in cell
    for fault in faults:
        assert fault.reason.endswith(".")
        assert len(fault.value) <= SHOWN
        assert fault.value.isprintable() or not fault.value


READERS: dict[str, Callable[[str], Any]] = {
    "words": cells.words(120),
    "lines": cells.lines,
    "day": cells.day(date(2026, 11, 25)),
    "any day": cells.any_day,
    "whole": cells.whole(1, 600, "Minutes"),
    "coordinate": cells.coordinate(90),
    "facing": cells.facing,
    "choice": cells.choice(["sun", "shade"]),
    "yes or no": cells.yes_no,
    "length in inches": cells.length("in", may_be_zero=False),
    "length in millimeters": cells.length("mm", may_be_zero=True),
    "works": cells.works,
    "place": cells.place,
}
TYPED = st.text(
    st.sampled_from("0123456789.-+eE_°/ \t'\"panelURcornsouthwestyo,;²½٣\u202e\0\ud800"), max_size=30
)


@given(name=st.sampled_from(sorted(READERS)), text=st.text(max_size=60) | TYPED)
@example(name="whole", text="9" * 2000)
@example(name="whole", text="²")
@example(name="coordinate", text="1e999999999")
@example(name="coordinate", text="9" * 2000)
@example(name="facing", text="9" * 2000)
@example(name="facing", text="south" * 400)
@example(name="place", text="panel " + "9" * 100)
@example(name="any day", text="0000-00-00")
@example(name="any day", text="٢٠٢٦-٠١-٠١")
def test_any_cell_is_read_or_a_sentence(name: str, text: str) -> None:
    try:
        value = READERS[name](text)
    except cells.CellError as error:
        value = str(error)
    if isinstance(value, str) and name not in {"words", "lines", "choice"}:
        assert value.endswith((".", "”"))
    elif isinstance(value, Decimal):
        assert value.is_finite()
    elif isinstance(value, int):
        assert abs(value) < 2**31
    elif isinstance(value, date):
        assert 1900 <= value.year <= 2199


def zipped(packed: int) -> bytes:
    """Give a ZIP archive of so many zero bytes."""
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED) as archive:
        archive.writestr("xl/worksheets/sheet1.xml", b"\0" * packed)
    return out.getvalue()


LAUGHS = b'<?xml version="1.0"?><!DOCTYPE l [<!ENTITY a "ha"><!ENTITY b "&a;&a;&a;&a;">]><l>&b;</l>'


class Endless(io.RawIOBase):
    """A stream of one letter without an end to speak of."""

    def __init__(self, start: bytes, notification: bytes, most: int) -> None:
        self.start, self.notification, self.left = start, notification, most

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def seek(self, place: int, whence: int = 0) -> int:
        return place

    def tell(self) -> int:
        return 0

    def readinto(self, room: Any) -> int:
        piece = self.start[: len(room)] or self.notification * min(len(room), self.left)
        self.start = self.start[len(room) :]
        self.left -= len(piece)
        room[: len(piece)] = piece
        return len(piece)


@pytest.mark.parametrize("bomb", [zipped(200_000_000), LAUGHS, b"\x1f\x8b" + b"\0" * 50, LAUGHS[21:]])
def test_what_is_packed_or_marked_up_is_refused_by_its_content(bomb: bytes) -> None:
    with memory_below(3_000_000), pytest.raises(UnreadableFile), open_table(io.BytesIO(bomb), UNITS) as table:
        list(table.rows())


@pytest.mark.long
@pytest.mark.parametrize(
    ("start", "notification"),
    [(b"", b"a"), (b"", b"\n"), (b"unit,site,installed_on\n", b"a"), (b'unit,site,installed_on\n"', b"\n")],
)
def test_a_file_without_an_end_takes_no_more_memory(start: bytes, notification: bytes) -> None:
    stream = io.BufferedReader(Endless(start, notification, 20_000_000))
    with memory_below(6_000_000), pytest.raises(UnreadableFile), open_table(stream, UNITS) as table:
        list(table.rows())


class memory_below:  # noqa: N801 - reads as a sentence where it stands
    """See that a block never holds more bytes of Python's memory than that."""

    def __init__(self, most: int) -> None:
        self.most = most

    def __enter__(self) -> None:
        tracemalloc.start()

    def __exit__(self, *problem: object) -> None:
        peak = tracemalloc.get_traced_memory()[1]
        tracemalloc.stop()
        assert peak < self.most
