"""Every kind of bad cell is named with its file, line and column, and with what mends it."""

from __future__ import annotations

import csv
from datetime import date
from pathlib import Path
from typing import Any

import pytest

from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports import operations
from servicedesk.imports.files.folders import path_of
from servicedesk.imports.models import InputFile
from tests.factories import OwnershipFactory, SiteFactory, UnitFactory
from tests.servicedesk.imports.fleet_files import (
    AT,
    add_reference,
    as_csv,
    create_batch,
    event,
    everything,
    import_files,
    period,
    told,
    unit,
)
from units.models import Unit

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def reference(db: None) -> None:
    """Names that files can use."""
    add_reference()


UNIT_FAULTS: list[tuple[dict[str, Any], str, str]] = [
    ({"unit": ""}, "unit", "every row needs it"),
    ({"unit": "U" * 41}, "unit", "40 are the most"),
    ({"site": ""}, "site", "every row needs it"),
    ({"installed_on": ""}, "installed_on", "every row needs it"),
    ({"installed_on": "3/2/2020"}, "installed_on", "year-month-day"),
    ({"installed_on": "2026-07-30"}, "installed_on", "still to come"),
    ({"installed_on": "1949-01-01"}, "installed_on", "from 1950-01-01"),
    ({"observed_from": "2020-03-01"}, "observed_from", "before it was installed on 2020-03-02"),
    ({"observed_until": "2020-03-01"}, "observed_until", "before the unit was installed"),
    (
        {"observed_from": "2021-01-01", "observed_until": "2020-06-01"},
        "observed_until",
        "began on 2021-01-01",
    ),
    ({"removed_on": "2020-01-01"}, "removed_on", "before it was installed"),
    ({"removed_on": "2027-01-01"}, "removed_on", "still to come"),
    ({"observed_from": "2022-01-01", "removed_on": "2021-01-01"}, "removed_on", "before watching began"),
    (
        {"construction": "hovercraft"},
        "construction",
        "Known: flexible liner, rigid liner, stepped bare-metal",
    ),
    ({"track": "wooden"}, "track", "an owner can add it on the page Catalog"),
    ({"track": "metal corner key"}, "track", "of the kind corner joint, not track or liner"),
    ({"panels": "13"}, "panels", "from 1 to 12"),
    ({"width": "35 7/9"}, "width", "no tape shows"),
    ({"height": "0"}, "height", "more than nothing"),
    ({"above_grade": "up"}, "above_grade", "not a length"),
    ({"facing": "inwards"}, "facing", "no compass point"),
    ({"shade": "some"}, "shade", "one of none, part, full"),
    ({"finish": "red"}, "finish", "one of white, light, medium, dark"),
    ({"latitude": "35.9"}, "longitude", "without a longitude"),
    ({"latitude": "91", "longitude": "1"}, "latitude", "from -90 to 90"),
    ({"year_built": "68"}, "year_built", "from 1600 to 2,200"),
    ({"customer": "x" * 161}, "customer", "160 are the most"),
    ({"construction": "", "lot": "L1"}, "lot", "none of them is named"),
]


@pytest.mark.parametrize(
    ("cells", "column", "words"),
    UNIT_FAULTS,
    ids=[f"{column}-{words[:12]}" for _, column, words in UNIT_FAULTS],
)
def test_a_bad_cell_of_a_unit_is_named(cells: dict[str, Any], column: str, words: str) -> None:
    batch = import_files([unit("U0"), unit() | cells])
    assert told(batch) == [("units", 3, column)]
    (problem,) = operations.problems(batch)
    assert words in problem.reason
    assert problem.value in str((unit() | cells).get(column, ""))
    assert batch.stage == Batch.Stage.REFUSED
    assert not Unit.objects.exists()


EVENT_FAULTS: list[tuple[dict[str, Any], str, str]] = [
    ({"unit": "U9"}, "unit", "neither recorded here nor in UNITS"),
    ({"unit": ""}, "unit", "every row needs it"),
    ({"on": ""}, "on", "every row needs it"),
    ({"on": "2020-03-01"}, "on", "installed later, on 2020-03-02"),
    ({"on": "2025-06-01"}, "on", "removed before, on 2025-05-01"),
    ({"on": "2027-01-01"}, "on", "still to come"),
    ({"what": "story"}, "what", "one of call, finding, care"),
    ({"mode": "gone"}, "mode", "Known: FLM-02 (vinyl glazing: clouded / hazed)"),
    ({"mode": ""}, "mode", "A finding needs its mode"),
    ({"what": "call", "mode": "", "failure": "yes"}, "mode", "A failure needs its mode"),
    ({"what": "care", "mode": "", "repeat": "yes"}, "mode", "The same fault as before needs its mode"),
    ({"mode": "loose"}, "mode", "LIT-03 (fixed lower lite: loose) or SCR-02 (screen: loose)"),
    ({"where": "panel 5"}, "where", "has 4 panels; there is no panel 5"),
    ({"where": "panel 2 corner up"}, "where", "UL, UR, LL or LR"),
    ({"failure": "perhaps"}, "failure", "yes or no"),
    ({"repeat": "perhaps"}, "repeat", "yes or no"),
    ({"work": "danced"}, "work", "no work known"),
    ({"minutes": "1441", "work": "checked"}, "minutes", "from 0 to 1,440"),
    ({"minutes": "20"}, "work", "Say what the minutes went into"),
    ({"ref": "r" * 61}, "ref", "60 are the most"),
]


@pytest.mark.parametrize(
    ("cells", "column", "words"),
    EVENT_FAULTS,
    ids=[f"{column}-{words[:12]}" for _, column, words in EVENT_FAULTS],
)
def test_a_bad_cell_of_history_is_named(cells: dict[str, Any], column: str, words: str) -> None:
    batch = import_files([unit(removed_on="2025-05-01")], [event(on="2021-01-01"), event() | cells])
    assert told(batch) == [("history", 3, column)]
    (problem,) = operations.problems(batch)
    assert words in problem.reason


PERIOD_FAULTS: list[tuple[list[dict[str, Any]], list[tuple[str, int, str]], str]] = [
    ([period(begins="")], [("periods", 2, "from")], "every row needs it"),
    ([period(ends="2019-01-01")], [("periods", 2, "until")], "before it began on 2020-03-02"),
    ([period(begins="2020-01-01")], [("periods", 2, "from")], "installed later, on 2020-03-02"),
    ([period(begins="2025-06-01")], [("periods", 2, "from")], "removed before, on 2025-05-01"),
    (
        [period(ends="2022-01-01"), period(begins="2021-06-01")],
        [("periods", 3, "from")],
        "line 2 (from 2020-03-02",
    ),
    ([period(begins="2021-06-01"), period()], [("periods", 2, "from")], "overlaps the one in line 3"),
    ([period(), period()], [("periods", 3, "from")], "overlaps the one in line 2"),
]


@pytest.mark.parametrize(
    ("rows", "where", "words"), PERIOD_FAULTS, ids=[words[:16] for *_, words in PERIOD_FAULTS]
)
def test_a_bad_period_takes_its_unit_along(
    rows: list[dict[str, Any]], where: list[tuple[str, int, str]], words: str
) -> None:
    """A unit applied without its periods could not be brought in again with them."""
    batch = import_files([unit(removed_on="2025-05-01")], [event()], rows)
    lines = {line for _, line, _ in where}
    others = [("periods", line, "unit") for line in range(2, 2 + len(rows)) if line not in lines]
    assert sorted(told(batch)) == sorted([*where, *others, ("units", 2, "unit"), ("history", 2, "unit")])
    reasons = [problem.reason for problem in operations.problems(batch)]
    assert any(words in reason for reason in reasons)
    assert any(f"PERIODS line {where[0][1]}, is not valid" in reason for reason in reasons)


def test_touching_periods_are_fine() -> None:
    batch = import_files([unit()], None, [period(ends="2021-01-01"), period(begins="2021-01-01")])
    assert batch.stage == Batch.Stage.APPLIED


def test_a_period_of_no_unit_is_named() -> None:
    batch = import_files([unit()], None, [period("U7")])
    assert told(batch) == [("periods", 2, "unit")]


def test_a_bad_unit_takes_its_history_and_periods_along() -> None:
    batch = import_files([unit(panels="many")], [event()], [period()])
    assert told(batch) == [("units", 2, "panels"), ("periods", 2, "unit"), ("history", 2, "unit")]
    assert all(
        "UNITS line 2, is not valid" in problem.reason for problem in list(operations.problems(batch))[1:]
    )


def test_one_row_can_name_several_bad_cells() -> None:
    batch = import_files([unit(panels="many", facing="up", shade="some")])
    assert told(batch) == [("units", 2, "panels"), ("units", 2, "facing"), ("units", 2, "shade")]


def test_two_rows_of_a_unit_that_differ_name_each_other() -> None:
    batch = import_files([unit(width="35 1/2"), unit("U2"), unit(width="36")])
    assert told(batch) == [("units", 2, "width"), ("units", 4, "width")]
    first, second = operations.problems(batch)
    assert "line 4" in first.reason
    assert "line 2" in second.reason
    assert "35 1/2 in there, 36 in here" in second.reason


def test_a_code_written_with_other_capitals_is_named() -> None:
    site = SiteFactory.create(code="Probe-1")
    UnitFactory.create(code="S900-1", site=site)
    rows = [unit("s900-1", site="Probe-1"), unit("X1", site="probe-1"), unit("Y1"), unit("y1")]
    batch = import_files(rows)
    assert told(batch) == [("units", 2, "unit"), ("units", 3, "site"), ("units", 5, "unit")]
    first = next(operations.problems(batch))
    assert "stands elsewhere as “S900-1”" in first.reason


def test_codes_that_stand_in_the_register_twice_are_taken_as_they_are() -> None:
    site = SiteFactory.create(code="S1")
    for code in ("S900-1", "s900-1"):
        UnitFactory.create(code=code, site=site, installed_on=date(2020, 3, 2))
    batch = import_files([unit("S900-1"), unit("s900-1")])
    assert not [problem for problem in operations.problems(batch) if "capitals" in problem.reason]


def test_two_rows_of_a_unit_that_say_the_same_are_one() -> None:
    batch = import_files([unit(width="35 1/2"), unit(width='35.5"')])
    record = batch.files.get()
    assert (record.applied, record.known, record.bad) == (1, 1, 0)


@pytest.mark.parametrize(
    ("column", "here", "there"),
    [
        ("address", "1 Testing Lane", "2 Testing Lane"),
        ("customer", "Ann Probeson", "Bob Probeson"),
        ("year_built", 1968, 1969),
    ],
)
def test_rows_that_contradict_each_other_about_a_site_name_both_lines(
    column: str, here: Any, there: Any
) -> None:
    batch = import_files([unit("U1", **{column: here}), unit("U2"), unit("U3", **{column: there})])
    assert told(batch) == [("units", 4, column)]
    (problem,) = operations.problems(batch)
    assert "Line 2 says" in problem.reason
    assert "line 4" in problem.reason


def test_rows_of_one_identity_that_differ_name_each_other() -> None:
    batch = import_files([unit()], [event(work="cleaned"), event(work="replaced")])
    assert told(batch) == [("history", 2, "ref"), ("history", 3, "ref")]


@pytest.mark.parametrize(
    ("cells", "column"),
    [
        ({"site": "S2"}, "site"),
        ({"width": "36"}, "width"),
        ({"track": "rigid nylon liner"}, "track"),
        ({"construction": "3"}, "construction"),
        ({"installed_on": "2020-03-03"}, "installed_on"),
        ({"lot": "L2"}, "lot"),
        ({"observed_from": "2020-04-01"}, "observed_from"),
        ({"observed_until": "2024-01-01"}, "observed_until"),
        ({"removed_on": "2024-01-01"}, "removed_on"),
    ],
)
def test_a_unit_of_the_register_that_differs_names_the_first_column(
    cells: dict[str, Any], column: str
) -> None:
    row = unit(width="35 1/2", lot="L1")
    import_files([row])
    before = everything()
    batch = import_files([row | cells])
    assert told(batch) == [("units", 2, column)]
    (problem,) = operations.problems(batch)
    assert "The records have unit U1 with" in problem.reason
    assert "Change it on the unit's page" in problem.reason
    assert everything() == before


def test_a_unit_of_the_register_with_other_periods_is_named() -> None:
    import_files([unit()])
    batch = import_files([unit()], None, [period(ends="2024-01-01")])
    assert told(batch) == [("periods", 2, "from")]
    assert "from 2020-03-02 until now" in next(operations.problems(batch)).reason


def test_a_site_of_the_register_is_not_contradicted() -> None:
    site = SiteFactory(code="S1", address="1 Testing Lane")
    OwnershipFactory(site=site, customer__name="Ann Probeson")
    batch = import_files([unit(address="2 Testing Lane", customer="Bob Probeson")])
    assert told(batch) == [("units", 2, "customer"), ("units", 2, "address")]
    customer, address = operations.problems(batch)
    assert "“Ann Probeson” owns site S1" in customer.reason
    assert "“1 Testing Lane” for site S1" in address.reason
    assert (
        import_files([unit(address="1 TESTING lane", customer="ann probeson")]).stage == Batch.Stage.APPLIED
    )


def test_a_history_row_brought_in_with_other_content_is_named() -> None:
    import_files([unit()], [event(note="before")])
    batch = import_files([unit()], [event(note="after")])
    assert told(batch) == [("history", 2, "ref")]
    assert "was imported before" in next(operations.problems(batch)).reason


def test_days_of_the_register_bound_history_too() -> None:
    UnitFactory(code="U1", installed_on=date(2020, 3, 2), panels=3)
    batch = import_files("unit,site,installed_on\n", [event(on="2019-01-01"), event(where="panel 4")])
    assert told(batch) == [("history", 2, "on"), ("history", 3, "where")]


def test_a_file_without_a_needed_column_is_refused_even_with_keep_good() -> None:
    batch = import_files("unit,site\nU1,S1\n", keep_good=True)
    assert told(batch) == [("units", 1, "installed_on")]
    assert batch.stage == Batch.Stage.REFUSED
    with pytest.raises(RuleViolation, match="could not be read to its end"):
        operations.approve_good_rows(batch, by=None, at=AT)


def test_a_file_in_another_encoding_names_line_and_byte() -> None:
    text = as_csv(InputFile.UNITS, [unit(), unit("U2", place="café")]).encode("cp1252")
    batch = import_files(text)
    assert told(batch) == [("units", 3, "place")]
    assert "Byte 0xe9" in next(operations.problems(batch)).reason


def test_history_that_breaks_off_refuses_all() -> None:
    batch = import_files([unit()], 'unit,on,what\nU1,2024-01-01,care\nU1,"2024', keep_good=True)
    assert told(batch) == [("history", 3, "")]
    assert batch.stage == Batch.Stage.REFUSED
    assert not Unit.objects.exists()


def test_a_file_that_is_gone_says_so() -> None:
    batch = create_batch([unit()])
    path_of(batch, InputFile.UNITS).unlink()
    batch = operations.resume(batch)
    assert "Import it again" in next(operations.problems(batch)).reason


def test_a_file_that_is_too_large_is_not_taken(settings: Any, tmp_path: Path) -> None:
    settings.IMPORT_MAX_BYTES = 1024**2
    settings.INCOMING_DIR = tmp_path / "incoming"
    with pytest.raises(RuleViolation, match=r"larger than 1 MB.*fewer rows"):
        create_batch(b"x" * (1024**2 + 1))
    assert not Batch.objects.exists()
    assert not any(settings.INCOMING_DIR.iterdir())


def test_units_must_be_among_the_files() -> None:
    with pytest.raises(RuleViolation, match="Choose the file of units"):
        operations.create_batch({}, keep_good=False, care_by="nobody", by=None, at=AT)
    with pytest.raises(RuleViolation, match="one of us, customer, nobody"):
        create_batch([unit()], care_by="everybody")


def test_many_problems_are_told_in_order_and_counted() -> None:
    batch = import_files(
        [unit(f"U{n}", panels="many") for n in range(700)], [event("U9"), event(what="story")]
    )
    assert operations.count_problems(batch) == 702 + 1
    first = list(operations.problems(batch, most=2))
    assert [(row.file, row.line) for row in first] == [("UNITS.csv", 2), ("UNITS.csv", 3)]
    assert str(first[0]).startswith("UNITS.csv, line 2, panels “many”: ")


def test_bad_rows_come_back_as_they_were_with_their_reasons(tmp_path: Path) -> None:
    rows = [
        unit("U1", place='says "=1+1", twice'),
        unit("U2", panels="many", place="=1+1"),
        unit("U3", facing="up"),
    ]
    batch = import_files(rows)
    (path,) = operations.write_bad_rows(batch, {InputFile.UNITS: tmp_path})
    assert path.name == "UNITS.bad.csv"
    with path.open(newline="", encoding="utf-8") as file:
        back = list(csv.DictReader(file))
    assert [row["unit"] for row in back] == ["U2", "U3"]
    assert back[0]["place"] == "'=1+1"
    assert back[0]["reason"].startswith("panels: The number of panels is a whole number")
    assert set(back[0]) == {
        "unit",
        "site",
        "place",
        "construction",
        "panels",
        "facing",
        "installed_on",
        "reason",
    }
