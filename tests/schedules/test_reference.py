"""The care rules of the reference files, and the command that loads all of them.

Check values
------------
Bare metal tracks are lubricated about once a year, before the season of use; liners are washed and never
oiled: common practice, no source.
Droppings are wetted and wiped, never swept or vacuumed: CDC, clean-up after rodents.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime
from io import StringIO
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import CommandError, call_command
from pytest_django import DjangoCaptureOnCommitCallbacks

from schedules.maintenance.recurrence import next_due
from schedules.maintenance.reference import load_all, load_maintenance_rules
from schedules.models import MaintenanceRule
from servicedesk.accounts.models import User
from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import ComponentTypeFactory, MaintenanceRuleFactory
from units.catalog.loading import Loaded
from units.models import ComponentType, Construction, FailureMode, Kind
from units.operations import change_record

FOLDER = settings.BASE_DIR / "fixtures" / "reference"
AT = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


@pytest.fixture
def loaded(db: None) -> dict[str, Loaded]:
    """The register and the care rules with all reference files in them."""
    return load_all(FOLDER, by=None, at=AT)


@pytest.fixture
def path(db: None, tmp_path: Path) -> Path:
    """A small file of care rules that loads, for tests to break."""
    ComponentTypeFactory(name="test track", kind="track", aliases="bare")
    path = tmp_path / "maintenance_rules.json"
    rule = {
        "component_type": "test track",
        "name": "wipe it",
        "work": "cleaned",
        "interval_months": 12,
        "season_from": "1 March",
        "season_until": "31 May",
        "minutes": 10,
        "note": "with a cloth",
        "source": "made up",
    }
    path.write_text(json.dumps([rule]), encoding="utf-8")
    return path


def change(path: Path, **values: Any) -> None:
    """Put other values into the first row of the file."""
    rows = json.loads(path.read_text(encoding="utf-8"))
    rows[0] |= values
    path.write_text(json.dumps(rows), encoding="utf-8")


# --- what the file says -----------------------------------------------------------------------------


def test_bare_metal_tracks_are_lubricated_yearly_before_the_season(loaded: dict[str, Loaded]) -> None:
    (rule,) = MaintenanceRule.objects.filter(work="lubricated")
    assert rule.component_type.name == "bare aluminum stepped track"
    assert rule.interval_months == 12
    assert "common practice, no source" in rule.source
    # done in the fall, the next time is the spring after, before the porch is used again
    assert next_due(date(2025, 11, 20), interval_months=12, season=rule.season) == date(2027, 3, 1)
    assert next_due(date(2026, 4, 10), interval_months=12, season=rule.season) == date(2027, 4, 10)
    assert "on the track only" in rule.note
    assert "slippery" in rule.note


def test_liners_are_washed_twice_a_year_and_never_oiled(loaded: dict[str, Loaded]) -> None:
    for name in ("flexible plastic liner", "rigid nylon liner"):
        rules = MaintenanceRule.objects.filter(component_type__name=name)
        assert set(rules.values_list("work", flat=True)) == {"cleaned", "checked"}
        wash = rules.get(work="cleaned")
        assert wash.interval_months == 6
        assert "No oil and no silicone" in wash.note


def test_care_has_its_interval_and_season(loaded: dict[str, Loaded]) -> None:
    summer_over = (date(2026, 8, 15), date(2026, 10, 31))
    humid = (date(2026, 7, 1), date(2026, 9, 15))
    pollen_over = (date(2026, 5, 15), date(2026, 7, 31))
    for type_name, name, months, season in [
        ("flexible plastic liner", "check the liner for bow and end gap", 12, summer_over),
        ("rigid nylon liner", "check the liner's end gap", 12, humid),
        ("insect screen", "wash the screen", 12, pollen_over),
        ("open-channel sash", "vacuum the open sash channels", 12, None),
        ("plastic corner key", "flex the corners and look for cracks", 12, None),
        ("metal corner key", "look for loose or corroded corners", 24, None),
        ("clear vinyl film", "wash the film with mild soap", 6, None),
        ("sill with weep holes", "pour-test the weep holes", 6, None),
    ]:
        rule = MaintenanceRule.objects.get(component_type__name=type_name, name=name)
        assert rule.interval_months == months
        assert (rule.season.window(2026) if rule.season else None) == season


def test_every_part_of_a_construction_gets_care(loaded: dict[str, Loaded]) -> None:
    for construction in Construction.objects.with_parts():
        for part in construction.parts.all():
            assert part.component_type.maintenance_rules.active().exists(), part
    cared = set(MaintenanceRule.objects.values_list("component_type__kind", flat=True))
    assert cared == set(Kind.values) - {Kind.UNIT.value}


def test_every_rule_says_how_long_and_how(loaded: dict[str, Loaded]) -> None:
    for rule in MaintenanceRule.objects.all():
        assert rule.note, rule
        assert "common practice, no source" in rule.source, rule
        assert rule.work in {"cleaned", "lubricated", "checked"}, rule
        assert 0 < rule.minutes <= 60, rule


def test_dangerous_care_carries_its_caution(loaded: dict[str, Loaded]) -> None:
    cautions = {
        "film": "50 °F (10 °C)",
        "release": "Eye protection",
        "screen": "holds nobody back",
        "lite": "keep people away",
        "fasteners": "Ladder",
        "sealant": "lead",
        "jamb": "lead",
    }
    for kind, words in cautions.items():
        for rule in MaintenanceRule.objects.filter(component_type__kind=kind):
            assert words in rule.note, rule
    for rule in MaintenanceRule.objects.filter(note__icontains="droppings"):
        assert "Wet droppings before wiping; no dry sweeping or vacuuming" in rule.note, rule


# --- loading ----------------------------------------------------------------------------------------


def test_loading_twice_changes_nothing(loaded: dict[str, Loaded]) -> None:
    rules = list(MaintenanceRule.objects.order_by("pk").values())
    changes = Change.objects.count()
    again = load_all(FOLDER, by=None, at=AT)
    assert again == {name: Loaded(added=0, unchanged=counts.added) for name, counts in loaded.items()}
    assert list(MaintenanceRule.objects.order_by("pk").values()) == rules
    assert Change.objects.count() == changes


def test_what_the_owner_changed_stays(loaded: dict[str, Loaded], owner: User) -> None:
    rule = MaintenanceRule.objects.get(work="lubricated")
    rule.name, rule.interval_months, rule.active = "oil the track", 9, False
    change_record(rule, by=owner, at=AT)
    track = ComponentType.objects.get(name="bare aluminum stepped track")
    track.name, track.aliases = "our stepped track", ""
    change_record(track, by=owner, at=AT)
    assert load_all(FOLDER, by=None, at=AT)["maintenance rules"].added == 0
    rule.refresh_from_db()
    assert (rule.name, rule.interval_months, rule.active) == ("oil the track", 9, False)
    assert MaintenanceRule.objects.filter(component_type=track).count() == 2


def test_a_rule_is_told_by_type_and_name_together(path: Path) -> None:
    track = ComponentType.objects.get(name="test track")
    existing = MaintenanceRule.objects.create(
        component_type=track, name="Wipe-it", work="cleaned", interval_months=3
    )
    MaintenanceRuleFactory(component_type=ComponentTypeFactory(name="other track"), name="rinse it")
    assert load_maintenance_rules(path, by=None, at=AT) == Loaded(added=0, unchanged=1)
    existing.refresh_from_db()
    assert existing.interval_months == 3
    change(path, component_type="BARE", name="rinse it", season_from=None, season_until=None)
    assert load_maintenance_rules(path, by=None, at=AT) == Loaded(added=1, unchanged=0)
    added = MaintenanceRule.objects.get(component_type__name="test track", name="rinse it")
    assert added.season is None
    assert (added.persons, added.minutes, added.source) == (1, 10, "made up")


def test_new_rules_ask_for_the_care_of_parts_in_place(
    path: Path, django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks
) -> None:
    with django_capture_on_commit_callbacks() as callbacks:
        load_maintenance_rules(path, by=None, at=AT)
    assert len(callbacks) == 1
    with django_capture_on_commit_callbacks() as callbacks:
        load_maintenance_rules(path, by=None, at=AT)
    assert callbacks == []


BROKEN = [
    ({"component_type": "roof"}, "component_type: “roof” is no known component type"),
    ({"work": "replaced"}, "work: “replaced” is not one of cleaned, lubricated, checked"),
    (
        {"interval_months": "yearly"},
        'interval_months: must be a whole number without quotation marks, not "ye',
    ),
    ({"interval_months": 0}, ": The interval runs from 1 to 240 months"),
    ({"interval_months": -1}, "interval_months: must be a number from 0 to 32767, not -1."),
    ({"season_from": "March"}, "season_from: “March” is no day of the year. Write it like 1 March"),
    ({"season_from": "3 Smarch"}, "season_from: “3 Smarch” is no day of the year"),
    ({"season_until": None}, "season_until: is missing. Give the first and the last day of the season"),
    ({"season_from": ""}, "season_from: is missing. Give the first and the last day of the season"),
    ({"season_until": "31 April"}, "season_from, season_until: The last day of the season is 31 April"),
    ({"minutes": 2.5}, "minutes: must be a whole number without quotation marks, not 2.5"),
    ({"note": None}, "note: is missing"),
    ({"source": None}, "source: is missing"),
    ({"interval": 6}, "interval: is no field of such rows"),
]


@pytest.mark.parametrize(("values", "sentence"), BROKEN)
def test_what_is_wrong_is_refused_by_file_row_and_field(
    path: Path, values: dict[str, Any], sentence: str
) -> None:
    change(path, **values)
    with pytest.raises(RuleViolation) as refused:
        load_maintenance_rules(path, by=None, at=AT)
    assert str(refused.value).startswith("maintenance_rules.json, row 1 (")
    assert sentence in str(refused.value)
    assert not MaintenanceRule.objects.exists()


# --- the command ------------------------------------------------------------------------------------


@pytest.mark.django_db
def test_the_command_loads_the_files_and_counts() -> None:
    out = StringIO()
    call_command("load_reference", stdout=out)
    rows = {path.stem: len(json.loads(path.read_text(encoding="utf-8"))) for path in FOLDER.glob("*.json")}
    assert out.getvalue().splitlines() == [
        f"component types: {rows['component_types']} added, 0 kept as they are",
        f"constructions: {rows['constructions']} added, 0 kept as they are",
        f"failure modes: {rows['failure_modes']} added, 0 kept as they are",
        f"maintenance rules: {rows['maintenance_rules']} added, 0 kept as they are",
    ]
    assert MaintenanceRule.objects.count() == rows["maintenance_rules"]


@pytest.mark.django_db
def test_the_command_loads_nothing_when_one_file_is_broken(tmp_path: Path) -> None:
    for file in FOLDER.glob("*.json"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    (tmp_path / "maintenance_rules.json").write_text("[", encoding="utf-8")
    with pytest.raises(
        CommandError, match=r"^Nothing was loaded\. maintenance_rules\.json, line 1, column 2: "
    ):
        call_command("load_reference", str(tmp_path))
    assert not ComponentType.objects.exists()
    assert not FailureMode.objects.exists()
