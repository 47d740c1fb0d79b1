"""Bringing a fleet in: what the register holds once the files are applied."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from decimal import Decimal

import pytest

from schedules.models import MaintenanceTask, NextDue
from schedules.operations import raise_due
from servicedesk.calls.models import Call, Finding, Work
from servicedesk.calls.operations import installed_part_for
from servicedesk.core.models import Batch
from servicedesk.imports import operations
from tests.factories import OwnershipFactory, SiteFactory
from tests.servicedesk.imports.fleet_files import (
    AT,
    TODAY,
    add_reference,
    event,
    import_files,
    period,
    unit,
)
from units.fitting import change_panel_share, replace_set
from units.models import (
    ComponentType,
    Customer,
    InstalledPart,
    ObservationPeriod,
    Ownership,
    Site,
    Unit,
)

pytestmark = pytest.mark.django_db


@pytest.fixture(autouse=True)
def reference(db: None) -> None:
    """Names that files can use."""
    add_reference()


def parts(code: str = "U1") -> dict[str, tuple[str, int, str]]:
    """List the parts of a unit by kind: type, pieces and lot."""
    installed_parts = InstalledPart.objects.filter(unit__code=code).select_related("component_type")
    return {row.kind: (row.component_type.name, row.pieces, row.lot) for row in installed_parts}


def test_a_unit_comes_in_with_site_owner_parts_and_period() -> None:
    batch = import_files(
        [
            unit(
                customer="Ann Probeson",
                address="1 Testing Lane",
                postcode="27500",
                latitude="35.9",
                longitude="-79.05",
                year_built=1968,
                place="left of the door",
                width="35 7/8",
                height="2' 11 7/8\"",
                facing="SE",
                shade="Part",
                finish="dark",
                above_grade="30",
                lot="L7",
                observed_from="2021-05-01",
            )
        ],
        care_by="us",
    )
    assert batch.stage == Batch.Stage.APPLIED
    made = Unit.objects.select_related("site", "construction").get()
    assert (made.code, made.place, made.panels, made.facing) == ("U1", "left of the door", 4, 135)
    assert (made.width_mm, made.height_mm, made.above_grade_mm) == (
        Decimal("911.225"),
        Decimal("911.225"),
        Decimal("762"),
    )
    assert (made.shade, made.finish, made.installed_on) == ("part", "dark", date(2020, 3, 2))
    site = made.site
    assert (site.code, site.address, site.postcode, site.year_built) == (
        "S1",
        "1 Testing Lane",
        "27500",
        1968,
    )
    assert (site.latitude, site.longitude, site.care_by) == (Decimal("35.9"), Decimal("-79.05"), "us")
    owned = Ownership.objects.select_related("customer").get()
    assert (owned.customer.name, owned.from_on) == ("Ann Probeson", date(2021, 5, 1))
    assert parts() == {
        "track": ("flexible plastic liner", 2, "L7"),
        "sash": ("enclosed sash", 4, "L7"),
        "corner": ("plastic corner key", 16, "L7"),
        "release": ("side spring", 4, ""),
        "film": ("clear vinyl film", 4, ""),
    }
    watched = ObservationPeriod.objects.get()
    assert (watched.from_on, watched.until_on, watched.began) == (date(2021, 5, 1), None, "taken_over")
    assert {row.batch_id for row in (made, site, owned, watched, owned.customer)} == {batch.pk}


def test_single_types_stand_in_for_those_of_the_construction() -> None:
    import_files([unit(corner="Metal Corner-Key", track="wavy liner")])
    assert parts()["corner"] == ("metal corner key", 16, "")
    assert parts()["track"] == ("flexible plastic liner", 2, "")
    assert parts()["sash"] == ("enclosed sash", 4, "")


def test_single_types_make_parts_without_a_construction_or_beside_it() -> None:
    """Pieces: four corners, a sash and a release each panel, two tracks (common practice, no source)."""
    named = {"track": "rigid nylon liner", "sash": "enclosed sash", "corner": "metal corner key"}
    import_files(
        [
            unit("U1", construction="", panels=3, release="side spring", lot="L1", **named),
            unit("U2", construction="1", panels=3, corner="metal corner key"),
        ]
    )
    assert parts("U1") == {
        "track": ("rigid nylon liner", 2, "L1"),
        "sash": ("enclosed sash", 3, "L1"),
        "corner": ("metal corner key", 12, "L1"),
        "release": ("side spring", 3, ""),
    }
    assert parts("U2")["corner"] == ("metal corner key", 12, "")


@pytest.mark.parametrize("name", ["2", "flexible liner", "Flexible-Liner", " FLEXIBLE  liner."])
def test_names_ignore_case_hyphens_points_and_spaces(name: str) -> None:
    import_files([unit(construction=name)])
    assert Unit.objects.get().construction.code == "2"  # type: ignore[union-attr]  # it has one


@pytest.mark.parametrize(("cells", "panels"), [({"height": "59 3/4"}, 3), ({"height": "60"}, 4), ({}, None)])
def test_panels_nobody_counted_follow_from_the_height(cells: dict[str, str], panels: int | None) -> None:
    """Three panels below 60 in, four from there on; the recorded count wins (common practice, no source)."""
    import_files([unit("U1", panels="", **cells), unit("U2", panels=2, **cells)])
    assert [row.panels for row in Unit.objects.order_by("code")] == [panels, 2]


def test_a_removed_unit_closes_its_parts_and_its_period() -> None:
    import_files(
        [
            unit("U1", removed_on="2024-05-01"),
            unit("U2", removed_on="2024-05-01", observed_until="2023-01-01"),
            unit("U3", observed_until="2023-01-01"),
        ]
    )
    assert set(InstalledPart.objects.filter(unit__code="U1").values_list("removed_on", flat=True)) == {
        date(2024, 5, 1)
    }
    ends = ObservationPeriod.objects.order_by("unit__code").values_list("until_on", "ended")
    assert list(ends) == [
        (date(2024, 5, 1), "removed"),
        (date(2023, 1, 1), "lapsed"),
        (date(2023, 1, 1), "lapsed"),
    ]
    assert set(InstalledPart.objects.filter(unit__code="U3").values_list("removed_on", flat=True)) == {None}


def test_periods_stand_in_for_the_pair() -> None:
    import_files(
        [unit(observed_from="2020-06-01", observed_until="2025-01-01", removed_on="2025-06-01")],
        None,
        [period(begins="2022-01-01"), period(ends="2021-01-01")],
    )
    watched = ObservationPeriod.objects.order_by("from_on").values_list(
        "from_on", "until_on", "began", "ended"
    )
    assert list(watched) == [
        (date(2020, 3, 2), date(2021, 1, 1), "fitted", "lapsed"),
        (date(2022, 1, 1), date(2025, 6, 1), "agreed", "removed"),
    ]


def test_a_site_is_made_of_all_its_rows_and_has_one_owner_from_its_first_day() -> None:
    import_files(
        [
            unit("U1", installed_on="2021-01-01", address="1 Testing Lane"),
            unit("U2", installed_on="2019-05-05", customer="Ann Probeson"),
            unit("U3", site="S2", customer="ANN  probeson"),
        ]
    )
    assert Site.objects.count() == 2
    assert Site.objects.get(code="S1").address == "1 Testing Lane"
    owned = Ownership.objects.order_by("site__code").values_list("customer__name", "from_on")
    assert list(owned) == [("Ann Probeson", date(2019, 5, 5)), ("Ann Probeson", date(2020, 3, 2))]
    assert Customer.objects.count() == 1


def test_a_site_of_the_register_is_used_again() -> None:
    known = SiteFactory(code="S1")
    owned = OwnershipFactory(site=SiteFactory(code="S2"), customer__name="Bob Probeson")
    import_files([unit("U1", customer="Ann Probeson"), unit("U2", site="S2", customer="bob probeson")])
    assert Site.objects.count() == 2
    assert Unit.objects.get(code="U1").site == known
    assert known.ownerships.get().customer.name == "Ann Probeson"
    assert list(Ownership.objects.filter(site__code="S2")) == [owned]


def test_a_call_comes_in_closed_at_noon_with_its_finding() -> None:
    """Noon in the desk's own zone: 12:00 in New York is 16:00 UTC in June (tz database)."""
    batch = import_files(
        [unit()],
        [
            event(
                what="call",
                mode="warped / bowed",
                where="panel 2 corner UL",
                failure="yes",
                note="binds",
                ref="7",
            ),
            event(what="call", mode="", where="left jamb", note="rang twice", on="2024-06-02"),
        ],
    )
    first, second = Call.objects.order_by("reported_at")
    assert first.reported_at == first.closed_at == datetime(2024, 6, 1, 16, tzinfo=UTC)
    assert (first.state, first.unit.code, first.site.code, first.ref) == ("completed", "U1", "S1", "7")  # type: ignore[union-attr]
    assert not first.safety_answers.exists()
    assert (first.words, second.words) == ("", "rang twice · left jamb")
    finding = Finding.objects.get()
    assert (finding.call, finding.mode.code, finding.panel, finding.corner) == (first, "LIN-01", 2, "UL")
    assert (finding.is_failure, finding.detected, finding.note, finding.ref) == (True, "called", "binds", "7")
    assert finding.installed_part.component_type.name == "flexible plastic liner"  # type: ignore[union-attr]
    assert batch.files.get(file="history").applied == 2


@pytest.mark.parametrize(
    ("written", "code"),
    [
        ("lin01", "LIN-01"),
        ("warped/bowed", "LIN-01"),
        ("track: Warped / bowed", "LIN-01"),
        ("Track or liner: warped / bowed", "LIN-01"),
        ("cracked", "KEY-01"),
        ("vinyl glazing: cracked", "FLM-05"),
        ("excess operating force", "OPR-01"),
    ],
)
def test_modes_go_by_code_full_name_or_a_name_that_is_clear_for_the_unit(written: str, code: str) -> None:
    """Construction 3 has corners and no film of its own, so that cracked can only mean the corners there."""
    import_files([unit(construction="3")], [event(mode=written, failure="yes")])
    assert Finding.objects.get().mode.code == code


def test_only_rows_that_say_so_are_failures() -> None:
    import_files([unit()], [event(), event(what="care", mode="KEY-01", on="2024-07-01", failure="no")])
    findings = Finding.objects.order_by("found_on").values_list("is_failure", "detected")
    assert list(findings) == [(False, ""), (False, "care")]


def test_work_belongs_to_its_finding_and_part_and_counts_minutes_once() -> None:
    import_files([unit()], [event(work="adjusted, replaced", minutes=25, note="shimmed")])
    done = Work.objects.order_by("pk")
    assert [(row.kind, row.minutes, row.pieces) for row in done] == [
        ("adjusted", 25, 0),
        ("replaced", None, 1),
    ]
    finding = Finding.objects.get()
    assert {row.finding for row in done} == {finding}
    assert {row.installed_part for row in done} == {finding.installed_part}


def test_care_without_a_word_is_what_the_rules_of_the_parts_ask_for() -> None:
    import_files([unit()], [event(what="care", minutes=30, note="spring round", where="panel 1")])
    done = Work.objects.order_by("pk")
    assert [(row.kind, row.minutes, row.note, row.installed_part_id) for row in done] == [
        ("cleaned", 30, "Whole usual care. spring round · panel 1", None),
        ("checked", None, "Whole usual care", None),
    ]
    last = NextDue.objects.values_list("installed_part__kind", "last_done_on", "next_due_on")
    assert sorted(last) == [
        ("film", date(2024, 6, 1), date(2025, 6, 1)),
        ("track", date(2024, 6, 1), date(2025, 6, 1)),
    ]


def test_care_with_a_word_moves_the_rules_of_that_work_only() -> None:
    import_files(
        [unit()], [event(what="care", work="cleaned"), event(what="care", work="cleaned", on="2023-01-01")]
    )
    last = dict(NextDue.objects.values_list("installed_part__kind", "last_done_on"))
    assert last == {"film": None, "track": date(2024, 6, 1)}
    assert NextDue.objects.get(installed_part__kind="film").next_due_on == date(2021, 3, 2)


def test_a_repeated_fault_continues_the_latest_one_before_it_whatever_the_order_of_the_file() -> None:
    import_files(
        [unit(), unit("U2")],
        [
            event(on="2024-06-01", repeat="yes"),
            event(on="2022-06-01"),
            event(on="2023-06-01"),
            event(on="2023-07-01", mode="KEY-01"),
            event("U2", on="2023-08-01"),
            event("U2", on="2021-08-01", repeat="yes"),
        ],
    )
    links = (
        Finding.objects.filter(repeat=True)
        .order_by("found_on")
        .values_list("found_on", "continues__found_on")
    )
    assert list(links) == [(date(2021, 8, 1), None), (date(2024, 6, 1), date(2023, 6, 1))]


def test_history_of_a_unit_of_the_register_finds_the_part_of_that_day() -> None:
    """The second opinion is the operation that people's findings go through."""
    import_files([unit()])
    made = Unit.objects.get()
    whole = made.installed_parts.get(kind="corner")
    metal = ComponentType.objects.get(name="metal corner key")
    swapped, shared = date(2023, 1, 1), date(2022, 1, 1)
    change_panel_share(whole, panel=2, component_type=metal, on=shared, by=None, at=AT)
    replace_set(
        made.installed_parts.get(kind="track"),
        component_type=made.installed_parts.get(kind="track").component_type,
        on=swapped,
        by=None,
        at=AT,
    )
    rows = []
    for on in ("2021-06-01", str(shared), "2022-06-01", str(swapped), "2024-06-01"):
        for where in ("", "panel 1", "panel 2"):
            rows += [event(on=on, mode=mode, where=where) for mode in ("KEY-01", "LIN-01", "OPR-01")]
    assert import_files("unit,site,installed_on\n", rows).stage == Batch.Stage.APPLIED
    assert Finding.objects.count() == len(rows)
    for finding in Finding.objects.select_related("mode", "unit"):
        assert finding.installed_part == installed_part_for(
            finding.unit, kind=finding.mode.kind, panel=finding.panel, on=finding.found_on
        )


def test_care_told_for_a_unit_of_the_register_ends_its_open_task() -> None:
    site = SiteFactory(code="S1", care_by="us")
    import_files([unit()])
    raise_due(TODAY, at=AT)
    assert MaintenanceTask.objects.open().count() == 2
    import_files([unit()], [event(what="care", on="2026-07-01", work="cleaned")])
    left = MaintenanceTask.objects.open().get()
    assert (left.site, left.work) == (site, "checked")
    assert NextDue.objects.get(installed_part__kind="track").last_done_on == date(2026, 7, 1)


def test_since_when_failures_were_heard_of_is_assumed_where_a_file_does_not_say_and_told() -> None:
    batch = import_files(
        [
            unit("old"),
            unit("fresh", installed_on=str(TODAY - timedelta(days=30))),
            unit("said", observed_from="2020-03-02"),
        ]
    )
    began = ObservationPeriod.objects.order_by("unit__code").values_list("unit__code", "from_on", "began")
    assert list(began) == [
        ("fresh", TODAY - timedelta(days=30), "fitted"),
        ("old", date(2020, 3, 2), "unsaid"),
        ("said", date(2020, 3, 2), "fitted"),
    ]
    assert operations.starts_words(batch) == (
        "1 unit does not say in observed_from since when you heard of failures. It counts since it was "
        "installed, as if you had fitted it. If you took it over later, rates come out too low: undo the "
        "import, fill the column in and import the file again."
    )


def test_before_a_file_is_applied_the_column_can_still_be_filled_in() -> None:
    batch = import_files([unit("old"), unit("older")], check_only=True)
    assert operations.starts_words(batch) == (
        "2 units do not say in observed_from since when you heard of failures. They count since they were "
        "installed, as if you had fitted them. If you took any of them over later, rates come out too low: "
        "fill the column in first."
    )


def test_units_from_long_before_the_oldest_record_count_from_it() -> None:
    units = [unit(f"U{number}", installed_on="2010-05-01") for number in range(20)]
    rows = [
        {"unit": f"U{number}", "on": f"2024-0{1 + number % 5}-10", "what": "call"} for number in range(20)
    ]
    batch = import_files(units, rows)
    assert set(ObservationPeriod.objects.values_list("from_on", "began")) == {(date(2024, 1, 10), "unsaid")}
    assert "(but 20 units from before your oldest row of history, only since January 10, 2024)" in (
        operations.starts_words(batch)
    )


def test_a_few_quiet_years_are_no_reason_to_doubt_the_oldest_record() -> None:
    batch = import_files([unit("U1")], [{"unit": "U1", "on": "2024-01-10", "what": "call"}])
    assert ObservationPeriod.objects.get().from_on == date(2020, 3, 2)
    assert "oldest row" not in operations.starts_words(batch)
