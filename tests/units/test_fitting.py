"""Parts change over time; what was there before stays."""

from __future__ import annotations

from datetime import UTC, date, datetime

import pytest

from servicedesk.core.models import Change
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import (
    ComponentTypeFactory,
    ConstructionFactory,
    ConstructionPartFactory,
    InstalledPartFactory,
    SiteFactory,
    UnitFactory,
)
from units import fitting, operations
from units.models import InstalledPart, ObservationPeriod, Unit

pytestmark = pytest.mark.django_db
AT = datetime(2024, 6, 1, 12, 0, tzinfo=UTC)


def test_replacing_a_liner_ends_one_installed_part_and_opens_another() -> None:
    old = InstalledPartFactory(pieces=2, lot="L1")
    nylon = ComponentTypeFactory(kind="track", name="nylon")
    new = fitting.replace_set(
        old, component_type=nylon, on=date(2023, 5, 4), lot="L2", pieces=None, by=None, at=AT
    )
    old.refresh_from_db()
    assert (old.removed_on, old.lot) == (date(2023, 5, 4), "L1")
    assert (new.component_type, new.fitted_on, new.removed_on) == (nylon, date(2023, 5, 4), None)
    assert (new.pieces, new.lot, new.panel) == (2, "L2", InstalledPart.WHOLE)
    assert list(old.unit.installed_parts.in_place()) == [new]


def test_four_keys_of_one_panel_changed_to_metal_leave_twelve_going_on() -> None:
    unit = UnitFactory(panels=4)
    plastic = InstalledPartFactory(unit=unit, component_type__kind="corner", pieces=16)
    metal = ComponentTypeFactory(kind="corner", name="metal")
    new = fitting.change_panel_share(
        plastic, panel=2, component_type=metal, on=date(2023, 5, 4), by=None, at=AT
    )
    plastic = InstalledPart.objects.get(pk=plastic.pk)
    assert plastic.removed_on is None
    assert plastic.fitted_on == unit.installed_on
    assert plastic.pieces_left == 12
    assert (new.panel, new.pieces, new.fitted_on) == (2, 4, date(2023, 5, 4))
    # a second panel leaves eight
    fitting.change_panel_share(plastic, panel=3, component_type=metal, on=date(2023, 6, 4), by=None, at=AT)
    assert InstalledPart.objects.get(pk=plastic.pk).pieces_left == 8


def test_the_share_must_be_said_where_pieces_do_not_divide() -> None:
    unit = UnitFactory(panels=4)
    plastic = InstalledPartFactory(unit=unit, component_type__kind="corner", pieces=15)
    metal = ComponentTypeFactory(kind="corner")
    with pytest.raises(RuleViolation, match="say how many were replaced"):
        fitting.change_panel_share(
            plastic, panel=2, component_type=metal, on=date(2023, 5, 4), by=None, at=AT
        )


@pytest.mark.parametrize(
    ("changes", "sentence"),
    [
        ({"panel": 5}, "there is no panel 5"),
        ({"panel": 0}, "Say which panel"),
        ({"on": date(2019, 1, 1)}, "not in place on that day"),
    ],
)
def test_what_a_share_can_not_be(changes: dict[str, object], sentence: str) -> None:
    unit = UnitFactory(panels=4)
    keys = InstalledPartFactory(unit=unit, component_type__kind="corner", pieces=16)
    entries = {
        "panel": 2,
        "component_type": ComponentTypeFactory(kind="corner"),
        "on": date(2023, 5, 4),
        **changes,
    }
    with pytest.raises(RuleViolation, match=sentence):
        fitting.change_panel_share(keys, **entries, by=None, at=AT)
    assert InstalledPart.objects.get(pk=keys.pk).pieces_left == 16


def test_a_part_is_not_replaced_by_another_kind() -> None:
    liner = InstalledPartFactory()
    with pytest.raises(RuleViolation, match="can't take the place of"):
        fitting.replace_set(
            liner, component_type=ComponentTypeFactory(kind="corner"), on=date(2023, 5, 4), by=None, at=AT
        )


def test_a_part_already_out_is_not_replaced_again() -> None:
    liner = InstalledPartFactory(removed_on=date(2022, 1, 1))
    for change in (
        lambda: fitting.replace_set(
            liner, component_type=liner.component_type, on=date(2023, 5, 4), by=None, at=AT
        ),
        lambda: fitting.take_out(liner, on=date(2023, 5, 4), by=None, at=AT),
    ):
        with pytest.raises(RuleViolation, match="January 1, 2022 already"):
            change()


def test_taking_out_leaves_the_slot_empty() -> None:
    part = InstalledPartFactory()
    fitting.take_out(part, on=date(2023, 5, 4), by=None, at=AT)
    assert not part.unit.installed_parts.in_place().exists()
    assert Change.objects.about(part.unit).count() == 1


def test_fitting_before_the_unit_was_there_is_refused() -> None:
    unit = UnitFactory(installed_on=date(2020, 3, 2))
    with pytest.raises(RuleViolation, match="installed later"):
        fitting.fit_part(
            unit,
            component_type=ComponentTypeFactory(),
            panel=0,
            pieces=1,
            lot="",
            on=date(2020, 3, 1),
            by=None,
            at=AT,
        )


def test_a_new_unit_starts_with_the_parts_of_its_construction() -> None:
    built = ConstructionFactory()
    keys = ComponentTypeFactory(kind="corner", name="plastic")
    liner = ComponentTypeFactory(kind="track", name="flexible")
    lite = ComponentTypeFactory(kind="lite", name="tempered")
    ConstructionPartFactory(construction=built, component_type=keys, pieces=4, each_panel=True)
    ConstructionPartFactory(construction=built, component_type=liner, pieces=2)
    ConstructionPartFactory(construction=built, component_type=lite, optional=True)
    unit = operations.add_unit(
        Unit(
            code="U-1",
            site=SiteFactory(),
            construction=built,
            panels=4,
            installed_on=date(2022, 4, 1),
        ),
        extras=operations.Extras(lot="B7", types={"track": ComponentTypeFactory(kind="track", name="nylon")}),
        observed_from=date(2023, 4, 1),
        age_known=False,
        by=None,
        at=AT,
    )
    parts = {part.kind: part for part in unit.installed_parts.all()}
    assert set(parts) == {"corner", "track"}
    assert (parts["corner"].pieces, parts["corner"].lot) == (16, "B7")
    assert parts["track"].component_type.name == "nylon"
    assert not parts["track"].age_known
    period = unit.periods.get()
    assert (period.from_on, period.began) == (date(2023, 4, 1), ObservationPeriod.Began.TAKEN_OVER)


def test_a_unit_is_not_watched_before_it_is_installed() -> None:
    with pytest.raises(RuleViolation, match="before it was installed"):
        operations.add_unit(
            Unit(code="U-1", site=SiteFactory(), installed_on=date(2022, 4, 1)),
            extras=operations.Extras(),
            observed_from=date(2022, 3, 31),
            age_known=True,
            by=None,
            at=AT,
        )
    assert not Unit.objects.exists()


def test_removing_a_unit_ends_its_parts_and_our_watching(scheduler: object) -> None:
    part = InstalledPartFactory()
    period = ObservationPeriod.objects.create(unit=part.unit, from_on=part.fitted_on)
    operations.remove_unit(part.unit, on=date(2024, 2, 1), by=scheduler, at=AT)
    part.refresh_from_db()
    period.refresh_from_db()
    assert part.removed_on == date(2024, 2, 1)
    assert (period.until_on, period.ended) == (date(2024, 2, 1), "removed")
    with pytest.raises(RuleViolation, match="removed on February 1, 2024 already"):
        operations.remove_unit(part.unit, on=date(2024, 3, 1), by=scheduler, at=AT)
