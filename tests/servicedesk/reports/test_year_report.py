"""The report of the year: page and PDF say the same, for the days asked for."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime
from io import BytesIO
from typing import Any

import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from pypdf import PdfReader

from servicedesk.reports.annual_report.blocks import Heading, Paper, Pictures, Points, Table, Words
from servicedesk.reports.annual_report.document import year_report
from servicedesk.reports.annual_report.pdf import set_on_paper
from servicedesk.reports.rates.figure import rates_figure
from servicedesk.reports.summary import twelve_months
from tests.factories import MaintenanceRuleFactory, SiteFactory, WorkFactory
from tests.servicedesk.reports.pages import csv_rows, open_page, plain, rows
from tests.servicedesk.reports.small_fleets import AS_OF, Fleet, day, up_to

pytestmark = pytest.mark.django_db

NOON = datetime(2024, 12, 31, 17, 0, tzinfo=UTC)
YEAR = "/figures/year/"


@pytest.fixture(autouse=True)
def _today() -> Any:
    with time_machine.travel(NOON, tick=False):
        yield


@pytest.fixture
def fleet() -> Fleet:
    """Tracks and liners at twenty sites, a good many of which failed."""
    fleet = Fleet()
    for number in range(40):
        unit = fleet.unit(SiteFactory(), finish="dark" if number % 3 else "white", facing=180, shade="none")
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.liner if number % 2 else fleet.track)
        for turn in range(1 + number % 3):
            finding = fleet.find(part, 300 + 450 * turn + 7 * number)
            WorkFactory(
                unit=unit,
                installed_part=part,
                finding=finding,
                kind="replaced",
                pieces=1,
                done_on=finding.found_on,
            )
    MaintenanceRuleFactory(component_type=fleet.track)
    return fleet


def pdf_words(content: bytes) -> str:
    """Take the words out of a PDF."""
    return " ".join(" ".join(page.extract_text().split()) for page in PdfReader(BytesIO(content)).pages)


def test_page_and_pdf_say_the_same(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, YEAR)
    answer = as_owner.get(f"{YEAR}?pdf=1")
    assert answer["Content-Type"] == "application/pdf"
    printed = pdf_words(answer.content)
    paper = year_report(twelve_months(AS_OF))
    said = plain(page)
    tables = 0
    for block in paper.blocks:
        if isinstance(block, Heading | Words):
            assert block.words in said
            assert " ".join(block.words.split()) in printed
        elif isinstance(block, Points):
            assert all(words in said and words in printed for words in block.words)
        elif isinstance(block, Table):
            assert rows(page, table=tables) == [list(row) for row in block.rows]
            assert all(cell in printed for row in block.rows for cell in row)
            tables += 1
        else:
            assert all(svg in page for svg in block.svgs)
    assert tables == 5
    assert said.count("Report of the year") >= 1
    assert "January 1, 2024 to December 31, 2024" in said


def test_no_word_of_a_table_is_broken_in_the_pdf(as_owner: Client, fleet: Fleet) -> None:
    paper = year_report(twelve_months(AS_OF))
    tables = [block for block in paper.blocks if isinstance(block, Table)]
    assert_words_whole(as_owner.get(f"{YEAR}?pdf=1").content, tables)
    crowded = Table(
        header=("What", "How", "Since", "Failures", "Expected", "Sites", "Sites with failures"),
        rows=((*["a type of part that is told at some length"] * 3, "1", "0.4", "1", "1"),),
        numbers=frozenset({3, 4, 5, 6}),
    )
    printed = set_on_paper(Paper("Crowded", "", (crowded,)), company="Probe Porches", printed="today")
    assert_words_whole(printed, [crowded])


def test_a_word_wider_than_a_column_is_broken_on_the_page() -> None:
    wide = Table(header=("Name", "Failures"), rows=(("w" * 180, "1"),), numbers=frozenset({1}))
    printed = set_on_paper(Paper("Wide", "", (wide,)), company="Probe Porches", printed="today")
    words = pdf_words(printed).split()
    assert "Failures" in words
    assert "".join(word for word in words if set(word) == {"w"}) == "w" * 180


def assert_words_whole(content: bytes, tables: list[Table]) -> None:
    """Expect each word of some tables, heads and cells, in one piece."""
    printed = set(pdf_words(content).split())
    wanted = {
        word
        for table in tables
        for row in (table.header, *table.rows)
        for cell in row
        for word in cell.split()
    }
    assert {word.replace("−", "-") for word in wanted} - printed == set()


def test_its_rates_are_those_of_the_period(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, f"{YEAR}?from=2021-01-01&until=2022-12-31")
    figure = rates_figure(up_to(1095, from_on=day(366), until_on=day(1095)))
    assert "January 1, 2021 to December 31, 2022" in plain(page)
    for row in figure.rows:
        cells = next(cells for cells in rows(page, table=1) if cells[0] == row.name.capitalize())
        assert cells[1] == str(row.events)
    assert f"{figure.events} failures of parts at 40 sites" in plain(page)


def test_page_file_and_command_agree_to_the_last_digit(as_owner: Client, fleet: Fleet) -> None:
    page = open_page(as_owner, f"{YEAR}?from=2022-01-01")
    from_page = csv_rows(as_owner, f"{YEAR}?from=2022-01-01&csv=1")
    out = io.StringIO()
    call_command("figures", "year", "--from", "2022-01-01", "--csv", stdout=out)
    assert list(csv.DictReader(io.StringIO(out.getvalue()))) == from_page
    out = io.StringIO()
    call_command("figures", "year", "--from", "2022-01-01", "--json", stdout=out)
    document = json.loads(out.getvalue())
    tables = [table for section in document["rows"] for table in section["tables"]]
    assert document["about"] in plain(page)
    for number, table in enumerate(tables):
        assert rows(page, table=number) == [list(row.values()) for row in table]
    cells = sum((len(row) - 1) for table in tables for row in table)
    assert len(from_page) == cells
    assert {cell["value"] for cell in from_page} <= {
        str(each) for table in tables for row in table for each in row.values()
    }


def test_every_section_leads_to_its_own_page(as_owner: Client, fleet: Fleet) -> None:
    for block in year_report(twelve_months(AS_OF)).blocks:
        if isinstance(block, Heading) and block.address:
            assert as_owner.get(block.address).status_code == 200


def test_an_empty_register_prints_too(as_owner: Client) -> None:
    page = plain(open_page(as_owner, YEAR))
    assert "Nothing was watched" in page
    assert "No failures of parts" in page
    assert as_owner.get(f"{YEAR}?pdf=1").content.startswith(b"%PDF")


@pytest.mark.parametrize(
    ("query", "said"),
    [
        ("from=2024-02-01&until=2024-01-01", "The first day comes after the last"),
        ("from=2025-06-01", "That day is still to come"),
        ("until=yesterday", "day"),
    ],
)
def test_days_that_are_none_are_refused(as_owner: Client, query: str, said: str) -> None:
    assert said in plain(open_page(as_owner, f"{YEAR}?{query}", status=422))


def test_the_same_document_gives_the_same_bytes_with_its_title_and_pictures() -> None:
    square = (
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 320 40"><title>t</title>'
        '<rect x="1" y="1" width="300" height="30" fill="#1F4E79"/><text x="5" y="20">drawn</text></svg>'
    )
    paper = Paper(
        title="Café – 5 µm → 漢",
        about="about it",
        blocks=[
            Heading("First"),
            Words("Five < six & more", lead=True),
            Pictures([square, square, square]),
            Table(["a", "b"], [["x", str(number)] for number in range(200)], frozenset({1})),
            Heading("Last"),
        ],
    )
    once, twice = (set_on_paper(paper, company="Marrow Bay", printed="today") for _ in range(2))
    assert once == twice
    reader = PdfReader(BytesIO(once))
    assert reader.metadata is not None
    assert reader.metadata.title == "Café – 5 µm ? ?"
    assert len(reader.pages) > 3
    words = pdf_words(once)
    assert "Five < six & more" in words
    assert words.count("drawn") == 3
    assert words.count("Marrow Bay, today") == len(reader.pages)
    assert words.count(" a b ") >= len(reader.pages) - 1
