"""The reference files of the register, and the loading of them.

Check values
------------
Mechanism numbers and their words: ISO 14224:2016 Table B.2, families 1 (mechanical) and 2 (material) as read
in a public excerpt; 2.0 for the family as a whole and family 5 (external influence) from memory.
Corner keys, tracks, pins and springs in a unit: how such windows are built, common practice, no source.
"""

from __future__ import annotations

import json
import re
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import pytest
from django.conf import settings

from servicedesk.accounts.models import User
from servicedesk.calls.models import Finding
from servicedesk.core.models import Change
from tests.units.catalog.reference_folder import change, write_small_folder
from units.catalog.loading import Loaded, load_reference
from units.models import ComponentType, Construction, FailureMode, Kind
from units.names import plain_name
from units.operations import change_record

FOLDER = settings.BASE_DIR / "fixtures" / "reference"
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)

CODES_BY_NOTIFICATIONS = {
    "FRM": 2,
    "TRK": 3,
    "LIN": 6,
    "SSH": 3,
    "KEY": 2,
    "FLM": 5,
    "SPL": 1,
    "PIN": 3,
    "HND": 1,
    "PIL": 1,
    "SCR": 3,
    "LIT": 2,
    "FAS": 1,
    "SEA": 1,
    "EXT": 2,
    "DRN": 2,
    "OPR": 1,
}
CODES = {
    f"{notifications}-{number:02d}"
    for notifications, last in CODES_BY_NOTIFICATIONS.items()
    for number in range(1, last + 1)
}
ISO_14224_TABLE_B2 = {
    "1.1": {"leakage"},
    "1.2": {"vibration"},
    "1.3": {"clearance", "alignment"},
    "1.4": {"deformation"},
    "1.5": {"looseness"},
    "1.6": {"sticking"},
    "2.0": {"material"},
    "2.2": {"corrosion"},
    "2.4": {"wear"},
    "2.5": {"breakage"},
    "2.6": {"fatigue"},
    "2.7": {"overheating"},
    "5.1": {"blockage"},
    "5.2": {"contamination"},
}
CAUTIONS = {
    "drop",
    "dust",
    "eye",
    "fall",
    "glass",
    "heat",
    "ladder",
    "lead",
    "pinch",
    "sharp",
    "spray",
    "sting",
}


def load(folder: Path = FOLDER) -> dict[str, Loaded]:
    return load_reference(folder, by=None, at=AT)


@pytest.fixture
def loaded(db: None) -> dict[str, Loaded]:
    """The register with the reference files in it."""
    return load()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A small folder that loads."""
    return write_small_folder(tmp_path)


# --- what the files say -----------------------------------------------------------------------------


def test_the_taxonomy_has_its_thirty_nine_modes(loaded: dict[str, Loaded]) -> None:
    assert len(CODES) == 39
    assert set(FailureMode.objects.values_list("code", flat=True)) == CODES
    assert loaded["failure modes"] == Loaded(added=39, unchanged=0)


def test_every_kind_has_a_type_and_a_mode(loaded: dict[str, Loaded]) -> None:
    assert set(ComponentType.objects.values_list("kind", flat=True)) == set(Kind.values)
    assert set(FailureMode.objects.values_list("kind", flat=True)) == set(Kind.values)


def test_mechanisms_keep_to_the_families_of_the_standard(loaded: dict[str, Loaded]) -> None:
    for mode in FailureMode.objects.all():
        named = re.findall(r"(\d\.\d) (\w+)", mode.mechanism)
        assert named, f"{mode.code} names no mechanism"
        for number, word in named:
            assert word in ISO_14224_TABLE_B2[number], mode.code
            assert number in Finding.Mechanism.values, mode.code
        if any(number.startswith("5.") for number, _ in named):
            assert "from memory" in mode.mechanism, mode.code


def test_every_mode_says_how_it_shows_and_what_to_do(loaded: dict[str, Loaded]) -> None:
    for mode in FailureMode.objects.all():
        for field in ("cause", "detection", "effect", "first_aid", "source"):
            assert getattr(mode, field), f"{mode.code} has no {field}"
        assert mode.minutes > 0, mode.code
        assert "minutes are starting values" in mode.source, mode.code
        assert mode.expected_on.exists(), mode.code
        assert set(mode.hazards.split()) <= CAUTIONS, mode.code


def test_modes_that_let_a_panel_fall_carry_the_caution(loaded: dict[str, Loaded]) -> None:
    for mode in FailureMode.objects.all():
        if re.search(r"\bdrops?\b", f"{mode.effect} {mode.first_aid}"):
            assert "drop" in mode.hazards.split(), mode.code
        if "guard" in mode.effect:
            assert "fall" in mode.hazards.split(), mode.code


def test_modes_are_expected_where_their_part_is(loaded: dict[str, Loaded]) -> None:
    expected = {
        mode.code: set(mode.expected_on.values_list("code", flat=True)) for mode in FailureMode.objects.all()
    }
    only = {
        "1": {"TRK-01", "TRK-02", "SSH-03", "PIN-01", "PIN-02"},
        "2": {"LIN-01", "LIN-02", "LIN-03", "LIN-04", "KEY-01"},
        "3": {"LIN-05", "LIN-06", "KEY-02"},
    }
    for code, where in expected.items():
        alone = {number for number, codes in only.items() if code in codes}
        assert where == (alone or ({"2", "3"} if code == "PIN-03" else {"1", "2", "3"})), code


def test_within_a_kind_each_name_stands_for_one_type(loaded: dict[str, Loaded]) -> None:
    claims = Counter(
        (record.kind, plain_name(name)) for record in ComponentType.objects.all() for name in record.names()
    )
    assert max(claims.values()) == 1
    codes = Counter(plain_name(name) for record in Construction.objects.all() for name in record.names())
    assert max(codes.values()) == 1


def test_types_are_found_by_their_other_names(loaded: dict[str, Loaded]) -> None:
    for kind, name, type_name in [
        ("track", "Track, bare aluminum stepped", "bare aluminum stepped track"),
        ("track", "Liner, flexible plastic", "flexible plastic liner"),
        ("track", "rigid liner", "rigid nylon liner"),
        ("corner", "Corner key, plastic", "plastic corner key"),
        ("corner", "metal key", "metal corner key"),
        ("release", "Release pin and spring", "push pins with springs"),
        ("release", "Side spring (one side)", "side spring"),
        ("sash", "tubular", "enclosed sash"),
    ]:
        names = [record.name for record in ComponentType.objects.filter(kind=kind) if name in record.names()]
        assert names == [type_name]


@pytest.mark.parametrize(
    ("code", "track", "sash", "corner", "release", "release_pieces"),
    [
        (
            "1",
            "bare aluminum stepped track",
            "open-channel sash",
            "corner joint, type not recorded",
            "push pins with springs",
            8,
        ),
        ("2", "flexible plastic liner", "enclosed sash", "plastic corner key", "side spring", 4),
        ("3", "rigid nylon liner", "enclosed sash", "metal corner key", "side spring", 4),
    ],
)
def test_a_unit_with_four_panels_counts_its_pieces(
    loaded: dict[str, Loaded],
    code: str,
    track: str,
    sash: str,
    corner: str,
    release: str,
    release_pieces: int,
) -> None:
    parts = {
        part.component_type.kind: part
        for part in Construction.objects.with_parts().get(code=code).parts.all()
    }
    named = {kind: part.component_type.name for kind, part in parts.items()}
    assert (named["track"], named["sash"], named["corner"], named["release"]) == (
        track,
        sash,
        corner,
        release,
    )
    pieces = {kind: part.pieces_for(4) for kind, part in parts.items()}
    assert pieces == {
        "frame": 1,
        "track": 2,
        "sash": 4,
        "corner": 16,
        "film": 4,
        "spline": 4,
        "release": release_pieces,
        "handle": 4,
        "weatherstrip": 4,
        "screen": 1,
        "fasteners": 1,
        "sealant": 1,
        "drainage": 1,
        "lite": 1,
        "jamb": 1,
    }
    assert {kind for kind, part in parts.items() if part.optional} == {"lite", "jamb"}


def test_a_construction_holds_one_type_of_each_kind(loaded: dict[str, Loaded]) -> None:
    for construction in Construction.objects.with_parts():
        kinds = [part.component_type.kind for part in construction.parts.all()]
        assert len(kinds) == len(set(kinds)), construction


def test_constructions_carry_their_sizes_in_exact_millimeters(loaded: dict[str, Loaded]) -> None:
    # 1 in = 25.4 mm exactly (NIST Special Publication 811, appendix B, from memory)
    stepped, flexible, rigid = Construction.objects.order_by("code")
    assert (str(stepped.step_mm), str(stepped.inside_edge_mm)) == ("9.525000", "6.350000")
    assert (flexible.step_mm, flexible.inside_edge_mm) == (None, None)
    assert (rigid.step_mm, str(rigid.inside_edge_mm)) == (None, "25.400000")
    assert [record.panel_order for record in (stepped, flexible, rigid)] == ["stepped", "equal", "equal"]
    assert [record.release for record in (stepped, flexible, rigid)] == ["pins", "side_spring", "side_spring"]
    assert "starting value, no source" in stepped.note


def test_every_row_of_the_files_names_its_source() -> None:
    for path in sorted(FOLDER.glob("*.json")):
        for row in json.loads(path.read_text(encoding="utf-8")):
            assert row["source"].strip(), f"{path.name}: {row}"


# --- loading ----------------------------------------------------------------------------------------


def test_loading_twice_changes_nothing(loaded: dict[str, Loaded]) -> None:
    before = {
        model: list(model._default_manager.order_by("pk").values())
        for model in (ComponentType, Construction, FailureMode, Change)
    }
    again = load()
    assert {name: counts.added for name, counts in again.items()} == dict.fromkeys(loaded, 0)
    assert {name: counts.unchanged for name, counts in again.items()} == {
        name: counts.added for name, counts in loaded.items()
    }
    for model, rows in before.items():
        assert list(model._default_manager.order_by("pk").values()) == rows


def test_each_new_row_starts_its_history(loaded: dict[str, Loaded]) -> None:
    mode = FailureMode.objects.get(code="LIN-01")
    change = Change.objects.get(subject="units.failuremode", subject_id=mode.pk)
    assert (change.action, change.at, change.by) == ("added from the reference files", AT, None)


def test_what_the_owner_changed_stays(loaded: dict[str, Loaded], owner: User) -> None:
    mode = FailureMode.objects.get(code="KEY-01")
    mode.minutes, mode.in_use, mode.cause = 35, False, "seen on our own units"
    change_record(mode, by=owner, at=AT)
    mode.expected_on.clear()
    stepped = Construction.objects.get(code="1")
    stepped.step_mm = None
    change_record(stepped, by=owner, at=AT)
    stepped.parts.filter(component_type__kind="sealant").delete()
    assert all(counts.added == 0 for counts in load().values())
    mode.refresh_from_db()
    assert (mode.minutes, mode.in_use, mode.cause) == (35, False, "seen on our own units")
    assert not mode.expected_on.exists()
    stepped.refresh_from_db()
    assert stepped.step_mm is None
    assert not stepped.parts.filter(component_type__kind="sealant").exists()


def test_what_the_owner_renamed_does_not_come_back(loaded: dict[str, Loaded], owner: User) -> None:
    film = ComponentType.objects.get(name="clear vinyl film")
    film.name, film.aliases = "20 mil clear film", ""
    change_record(film, by=owner, at=AT)
    construction = Construction.objects.get(code="3")
    construction.code, construction.name, construction.aliases = "N", "nylon build", ""
    change_record(construction, by=owner, at=AT)
    mode = FailureMode.objects.get(code="FLM-01")
    mode.code = "F1"
    change_record(mode, by=owner, at=AT)
    assert all(counts.added == 0 for counts in load().values())
    assert ComponentType.objects.filter(kind="film").count() == 2
    assert Construction.objects.count() == 3
    assert FailureMode.objects.count() == 39


def test_what_the_owner_renamed_and_then_deleted_comes_back(db: None, folder: Path, owner: User) -> None:
    load(folder)
    key = ComponentType.objects.get(name="test key")
    key.name = "our key"
    change_record(key, by=owner, at=AT)
    key.delete()
    assert load(folder)["component types"] == Loaded(added=1, unchanged=1)
    assert ComponentType.objects.filter(name="test key").exists()


def test_a_row_added_to_a_file_is_added_and_nothing_else(db: None, folder: Path) -> None:
    load(folder)
    path = folder / "component_types.json"
    rows = json.loads(path.read_text(encoding="utf-8"))
    rows.append({"name": "glass-filled liner", "kind": "track", "note": "trial", "source": "own records"})
    path.write_text(json.dumps(rows), encoding="utf-8")
    assert load(folder)["component types"] == Loaded(added=1, unchanged=2)
    added = ComponentType.objects.get(name="glass-filled liner")
    assert (added.kind, added.aliases, added.note) == ("track", "", "trial\nSource: own records")


def test_a_type_of_the_owner_with_that_other_name_is_kept(db: None, folder: Path) -> None:
    own = ComponentType.objects.create(name="our track", kind="track", aliases="Plain  Track")
    change(folder, "component_types.json", aliases=[])
    change(folder, "constructions.json", parts=[{"component_type": "plain-track", "pieces": 2}])
    assert load(folder)["component types"] == Loaded(added=1, unchanged=1)
    part = Construction.objects.get(code="9").parts.get()
    assert (part.component_type, part.pieces, part.pieces_for(3)) == (own, 2, 2)


def test_a_file_with_a_byte_order_mark_loads(db: None, folder: Path) -> None:
    path = folder / "component_types.json"
    path.write_bytes(b"\xef\xbb\xbf" + path.read_bytes())
    assert load(folder)["component types"] == Loaded(added=2, unchanged=0)
