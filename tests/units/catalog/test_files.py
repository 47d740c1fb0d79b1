"""Reference files with something wrong in them: file, row and field are named, and nothing is loaded."""

from __future__ import annotations

import re
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest

from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import ComponentTypeFactory, FailureModeFactory
from tests.units.catalog.reference_folder import change, write_small_folder
from units.catalog.loading import Loaded, load_reference
from units.models import ComponentType, Construction

AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A small folder that loads."""
    return write_small_folder(tmp_path)


def load(folder: Path) -> dict[str, Loaded]:
    return load_reference(folder, by=None, at=AT)


BROKEN = [
    (
        "component_types.json",
        {"kind": "roof"},
        "row 1 (plain track), kind: “roof” is not one of frame, track",
    ),
    ("component_types.json", {"kind": None}, "row 1 (plain track), kind: is missing"),
    ("component_types.json", {"name": " "}, "row 1, name: is missing"),
    ("component_types.json", {"name": 7}, "row 1, name: must be words in quotation marks, not 7"),
    ("component_types.json", {"name": "a\u0000b"}, "row 1, name: holds a character that can't be printed"),
    ("component_types.json", {"name": "n" * 81}, "name: Ensure this value has at most 80 characters"),
    ("component_types.json", {"name": "Test-Key"}, "row 2 (test key), name: row 1 has the same"),
    ("component_types.json", {"source": ""}, "row 1 (plain track), source: is missing"),
    ("component_types.json", {"color": "red"}, "row 1 (plain track), color: is no field of such rows"),
    ("component_types.json", {"aliases": "bare"}, "aliases: must be a list in square brackets"),
    ("component_types.json", {"aliases": ["a", 1]}, "aliases: must list words in quotation marks, not 1"),
    ("component_types.json", {"aliases": ["a; b"]}, "aliases: “a; b” can't hold “;”"),
    (
        "constructions.json",
        {"step": "3/7 in"},
        "row 1 (9), step: “3/7 in” has a fraction no tape shows",
    ),
    ("constructions.json", {"step": "3/8"}, "row 1 (9), step: “3/8” has no unit"),
    ("constructions.json", {"inside_edge": "¼"}, "row 1 (9), inside_edge: “¼” has no unit"),
    ("constructions.json", {"step": "0 in"}, "row 1 (9): The step between panels is more than nothing"),
    ("constructions.json", {"panel_order": "mixed"}, "panel_order: “mixed” is not one of stepped, equal"),
    ("constructions.json", {"release": "rope"}, "release: “rope” is not one of pins, side_spring."),
    ("constructions.json", {"parts": {}}, "row 1 (9), parts: must be a list in square brackets, not {}"),
    ("constructions.json", {"parts": [3]}, "row 1 (9), parts: must be an object in curly brackets, not 3"),
    (
        "constructions.json",
        {"parts": [{"component_type": "nylon"}]},
        "row 1 (9), parts, entry 1, component_type: “nylon” is no known component type",
    ),
    (
        "constructions.json",
        {"parts": [{"component_type": "bare", "count": 2}]},
        "row 1 (9), parts, entry 1, count: is no field of such rows",
    ),
    (
        "constructions.json",
        {"parts": [{"component_type": "bare", "pieces": "2"}]},
        'entry 1, pieces: must be a whole number without quotation marks, not "2"',
    ),
    (
        "constructions.json",
        {"parts": [{"component_type": "bare", "pieces": 0}]},
        "row 1 (9), parts, entry 1: A part comes in at least one piece",
    ),
    (
        "constructions.json",
        {"parts": [{"component_type": "bare", "each_panel": "yes"}]},
        'entry 1, each_panel: must be true or false, not "yes"',
    ),
    (
        "constructions.json",
        {"parts": [{"component_type": "bare"}, {"component_type": "plain track"}]},
        "entry 2, component_type: “plain track” is of the kind track or liner already",
    ),
    ("failure_modes.json", {"skill": "boss"}, "row 1 (TST-01), skill: “boss” is not one of helper"),
    ("failure_modes.json", {"minutes": None}, "row 1 (TST-01), minutes: is missing. Write a whole number"),
    ("failure_modes.json", {"minutes": True}, "minutes: must be a whole number without quotation marks"),
    ("failure_modes.json", {"minutes": 70000}, "minutes: must be a number from 0 to 32767, not 70000."),
    ("failure_modes.json", {"persons": 0}, "row 1 (TST-01): It takes at least one person"),
    ("failure_modes.json", {"hazards": ["two words"]}, "hazards: “two words” can't hold a space"),
    ("failure_modes.json", {"expected_on": ["8"]}, "expected_on: “8” is no known construction"),
    ("failure_modes.json", {"cause": "c" * 201}, "cause: Ensure this value has at most 200 characters"),
]


@pytest.mark.django_db
@pytest.mark.parametrize(("file", "values", "sentence"), BROKEN)
def test_what_is_wrong_is_refused_by_file_row_and_field(
    folder: Path, file: str, values: dict[str, Any], sentence: str
) -> None:
    change(folder, file, **values)
    with pytest.raises(RuleViolation) as refused:
        load(folder)
    assert str(refused.value).startswith(file)
    assert sentence in str(refused.value)
    # one bad row leaves nothing of the three files behind
    assert not ComponentType.objects.exists()
    assert not Change.objects.exists()


UNREADABLE = [
    (b'[{"name": "a",]', "line 1, column 15: "),
    (b"[{]", "line 1, column 3: "),
    (b'{"name": "a"}', "must be a list of rows in square brackets"),
    (b"[4]", "row 1: must be an object in curly brackets, not 4"),
    (b'[{"name": "a", "name": "b"}]', "a row has the field “name” more than once"),
    (b'[{"name": "caf\xe9"}]', "is not UTF-8 text"),
    (b"[" * 100_000, "holds a number or a nesting too large to read"),
    (b"[" + b"9" * 5000 + b"]", "holds a number or a nesting too large to read"),
]


@pytest.mark.django_db
@pytest.mark.parametrize(("content", "sentence"), UNREADABLE, ids=range(len(UNREADABLE)))
def test_a_file_that_is_no_list_of_rows_is_refused(folder: Path, content: bytes, sentence: str) -> None:
    (folder / "component_types.json").write_bytes(content)
    with pytest.raises(RuleViolation) as refused:
        load(folder)
    assert str(refused.value).startswith("component_types.json")
    assert sentence in str(refused.value)


@pytest.mark.django_db
def test_a_missing_file_is_named_with_its_folder(folder: Path) -> None:
    (folder / "constructions.json").unlink()
    with pytest.raises(
        RuleViolation, match=rf"constructions\.json is not in the folder {re.escape(str(folder))}"
    ):
        load(folder)
    (folder / "constructions.json").mkdir()
    with pytest.raises(RuleViolation, match=r"constructions\.json can't be read: Is a directory"):
        load(folder)
    assert not ComponentType.objects.exists()


@pytest.mark.django_db
def test_two_rows_with_one_name_are_refused(folder: Path) -> None:
    change(folder, "component_types.json", row=1, kind="track", aliases=["BARE"])
    with pytest.raises(
        RuleViolation, match=r"row 2 \(test key\), aliases: “BARE” is a name in .*row 1 \(plain"
    ):
        load(folder)


@pytest.mark.django_db
def test_the_same_name_may_stand_for_types_of_two_kinds(folder: Path) -> None:
    change(folder, "component_types.json", row=1, aliases=["bare"])
    with pytest.raises(RuleViolation, match=r"component_type: “Bare” could be “plain track” or “test key”"):
        load(folder)
    change(folder, "constructions.json", parts=[{"component_type": "plain track"}])
    assert load(folder)["component types"] == Loaded(added=2, unchanged=0)


@pytest.mark.django_db
def test_a_name_that_the_owner_gave_to_another_type_is_refused(folder: Path) -> None:
    ComponentTypeFactory(name="our track", kind="track", aliases="bare")
    with pytest.raises(
        RuleViolation, match=r"row 1 \(plain track\), aliases: “bare” stands for “our track” already"
    ):
        load(folder)


@pytest.mark.django_db
def test_a_name_of_another_construction_is_refused(folder: Path) -> None:
    Construction.objects.create(code="Z", name="our build", aliases="test-build")
    with pytest.raises(
        RuleViolation, match=r"row 1 \(9\), name: “test build” stands for “our build” already"
    ):
        load(folder)


@pytest.mark.django_db
def test_a_mode_whose_words_are_taken_is_refused(folder: Path) -> None:
    FailureModeFactory(kind="track", name="binds", code="OWN-1")
    with pytest.raises(
        RuleViolation, match=r"row 1 \(TST-01\): Parts of this kind already have a failure mode"
    ):
        load(folder)
