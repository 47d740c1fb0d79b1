"""The register's rules are kept by the database, also against writers that pass our own code by."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import date
from decimal import Decimal

import pytest
from django.core.exceptions import ValidationError
from django.db import connection, connections

from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from tests.factories import (
    ComponentTypeFactory,
    InstalledPartFactory,
    ObservationPeriodFactory,
    OwnershipFactory,
    SiteFactory,
    UnitFactory,
)
from units.models import InstalledPart, PartialRemoval, Site, Unit

pytestmark = pytest.mark.django_db


def refused(write: Callable[[], object]) -> str:
    """Answer the sentence a write is refused with by the database."""
    with pytest.raises(RuleViolation) as error, atomic_operation():
        write()
    return str(error.value)


def test_a_slot_holds_one_part_at_a_time() -> None:
    installed_part = InstalledPartFactory()
    other = ComponentTypeFactory(kind=installed_part.kind)
    sentence = refused(
        lambda: InstalledPartFactory(
            unit=installed_part.unit, component_type=other, fitted_on=date(2021, 1, 1)
        )
    )
    assert sentence.startswith("This place in the unit already holds a part on some of these days")


@pytest.mark.parametrize(
    ("first", "second", "allowed"),
    [
        (("2020-01-01", "2021-01-01"), ("2021-01-01", None), True),  # one out, the next in, the same day
        (("2020-01-01", "2021-01-02"), ("2021-01-01", None), False),
        (("2021-01-01", None), ("2020-01-01", "2021-01-01"), True),
        (("2021-01-01", None), ("2020-01-01", None), False),
        (("2021-01-01", "2021-01-01"), ("2020-01-01", None), True),  # in and out on one day holds no time
        (("2020-01-01", "2022-01-01"), ("2020-06-01", "2020-07-01"), False),
    ],
)
def test_days_of_two_parts_in_a_slot(
    first: tuple[str, str | None], second: tuple[str, str | None], allowed: bool
) -> None:
    unit = UnitFactory(installed_on=date(2019, 1, 1))
    part = ComponentTypeFactory()

    def fit(days: tuple[str, str | None]) -> InstalledPart:
        return InstalledPartFactory(
            unit=unit,
            component_type=part,
            fitted_on=date.fromisoformat(days[0]),
            removed_on=date.fromisoformat(days[1]) if days[1] else None,
        )

    fit(first)
    if allowed:
        fit(second)
    else:
        assert "already holds a part" in refused(lambda: fit(second))


def test_panels_and_the_whole_unit_are_different_slots() -> None:
    whole = InstalledPartFactory()
    InstalledPartFactory(unit=whole.unit, component_type=whole.component_type, panel=1)
    InstalledPartFactory(unit=whole.unit, component_type=whole.component_type, panel=2)
    assert InstalledPart.objects.count() == 3


def test_forms_hear_the_same_sentence_as_the_database() -> None:
    installed_part = InstalledPartFactory()
    again = InstalledPart(
        unit=installed_part.unit,
        component_type=installed_part.component_type,
        kind=installed_part.kind,
        fitted_on=date(2021, 1, 1),
    )
    with pytest.raises(ValidationError, match="already holds a part"):
        again.full_clean()


def test_a_removed_unit_has_no_open_part() -> None:
    installed_part = InstalledPartFactory()
    sentence = refused(
        lambda: Unit.objects.filter(pk=installed_part.unit_id).update(removed_on=date(2022, 1, 1))
    )
    assert sentence == "A removed unit can't have parts that are still in place: end its parts on that day."


def test_no_part_goes_into_a_removed_unit() -> None:
    unit = UnitFactory(removed_on=date(2022, 1, 1))
    assert refused(lambda: InstalledPartFactory(unit=unit)).startswith("The unit was removed")
    InstalledPartFactory(unit=unit, removed_on=date(2022, 1, 1))


def test_a_part_is_of_its_types_kind() -> None:
    liner = ComponentTypeFactory(kind="track")
    assert refused(lambda: InstalledPartFactory(component_type=liner, kind="sash")) == (
        "A part's kind is the kind of its type."
    )


@pytest.mark.parametrize(
    ("write", "sentence"),
    [
        (
            lambda: InstalledPartFactory(removed_on=date(2000, 1, 1)),
            "can't be removed before it was fitted",
        ),
        (lambda: InstalledPartFactory(pieces=0), "at least one piece"),
        (lambda: UnitFactory(removed_on=date(2000, 1, 1)), "can't be removed before it was installed"),
        (lambda: UnitFactory(panels=0), "1 to 12 panels"),
        (lambda: UnitFactory(panels=13), "1 to 12 panels"),
        (lambda: UnitFactory(width_mm=Decimal(0)), "more than nothing"),
        (lambda: UnitFactory(facing=360), "0 (north) to 359"),
        (
            lambda: UnitFactory(height_mm=Decimal(900), lower_lite_mm=Decimal(900)),
            "lower than the whole window",
        ),
        (lambda: SiteFactory(latitude=Decimal("90.1"), longitude=0), "-90 to 90"),
        (lambda: SiteFactory(latitude=0, longitude=Decimal(-181)), "-180 to 180"),
        (lambda: SiteFactory(latitude=Decimal(38)), "both latitude and longitude"),
        (lambda: SiteFactory(year_built=68), "four digits"),
        (lambda: OwnershipFactory(until_on=date(2000, 1, 1)), "can't leave before the day they came"),
        (lambda: ObservationPeriodFactory(until_on=date(2000, 1, 1)), "Service can't end before"),
    ],
)
def test_each_rule_has_its_sentence(write: Callable[[], object], sentence: str) -> None:
    assert sentence in refused(write)


def test_one_owner_at_a_time() -> None:
    ownership = OwnershipFactory()
    assert "already has an owner" in refused(lambda: OwnershipFactory(site=ownership.site))


def test_watched_periods_do_not_overlap() -> None:
    period = ObservationPeriodFactory(until_on=date(2022, 1, 1))
    ObservationPeriodFactory(unit=period.unit, from_on=date(2022, 1, 1))
    assert "under our service on some of these days already" in refused(
        lambda: ObservationPeriodFactory(
            unit=period.unit, from_on=date(2021, 1, 1), until_on=date(2021, 2, 1)
        )
    )


def test_some_pieces_stay_when_others_leave() -> None:
    keys = InstalledPartFactory(pieces=16)
    PartialRemoval.objects.create(installed_part=keys, panel=1, pieces=8, left_on=date(2022, 1, 1))
    assert "replace the whole set instead" in refused(
        lambda: PartialRemoval.objects.create(
            installed_part=keys, panel=2, pieces=8, left_on=date(2022, 1, 1)
        )
    )


def test_the_rules_survive_a_rebuilt_table() -> None:
    """SQLite rebuilds a table to change a column; the triggers must come along."""
    installed_part = InstalledPartFactory()
    if connection.vendor == "sqlite":
        with connection.cursor() as cursor:
            cursor.execute("SELECT count(*) FROM sqlite_master WHERE type = 'trigger'")
            assert cursor.fetchone()[0] >= 14
    other = ComponentTypeFactory(kind=installed_part.kind)
    assert "already holds a part" in refused(
        lambda: InstalledPart.objects.bulk_create(
            [
                InstalledPart(
                    unit=installed_part.unit,
                    component_type=other,
                    kind=other.kind,
                    fitted_on=date(2021, 1, 1),
                )
            ]
        )
    )


@pytest.mark.django_db(transaction=True)
def test_two_writers_can_not_fill_one_slot_twice() -> None:
    unit, part = UnitFactory(), ComponentTypeFactory()
    start = threading.Barrier(6)
    outcomes: list[str] = []

    def write() -> None:
        start.wait()
        try:
            with atomic_operation():
                InstalledPart.objects.create(
                    unit=unit, component_type=part, kind=part.kind, fitted_on=date(2020, 3, 2)
                )
            outcomes.append("fitted")
        except RuleViolation as refusal:
            outcomes.append(str(refusal))
        finally:
            connections.close_all()

    threads = [threading.Thread(target=write) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    assert InstalledPart.objects.filter(unit=unit).count() == 1
    assert outcomes.count("fitted") == 1
    assert all("already holds a part" in outcome for outcome in outcomes if outcome != "fitted")


@pytest.mark.django_db(transaction=True)
def test_removing_a_unit_and_fitting_a_part_at_once_leaves_no_open_part() -> None:
    for _ in range(5):
        unit, part = UnitFactory(), ComponentTypeFactory()
        start = threading.Barrier(2)

        def remove(unit: Unit = unit, start: threading.Barrier = start) -> None:
            start.wait()
            try:
                with atomic_operation():
                    Unit.objects.filter(pk=unit.pk).update(removed_on=date(2022, 1, 1))
            except RuleViolation:
                pass
            finally:
                connections.close_all()

        def fit(unit: Unit = unit, part: object = part, start: threading.Barrier = start) -> None:
            start.wait()
            try:
                with atomic_operation():
                    InstalledPartFactory(unit=unit, component_type=part)
            except RuleViolation:
                pass
            finally:
                connections.close_all()

        threads = [threading.Thread(target=remove), threading.Thread(target=fit)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert not InstalledPart.objects.filter(
            unit__pk=unit.pk, unit__removed_on__isnull=False, removed_on__isnull=True
        ).exists()


def test_a_site_without_coordinates_is_fine() -> None:
    assert Site.objects.filter(pk=SiteFactory().pk, latitude__isnull=True).exists()
