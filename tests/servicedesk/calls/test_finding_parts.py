"""Which part a finding belongs to: the one that was in its slot that day."""

from __future__ import annotations

from datetime import date, timedelta

from django.utils import timezone

from servicedesk.calls.operations import installed_part_for
from tests.factories import ComponentTypeFactory, InstalledPartFactory
from tests.servicedesk.calls.conftest import Porch, day
from units.fitting import change_panel_share, replace_set


class TestWhichPart:
    """A finding belongs to the part that was in its slot that day."""

    def test_the_panels_own_part_comes_before_the_whole_units(self, porch: Porch) -> None:
        metal = InstalledPartFactory(
            unit=porch.unit, component_type__kind="corner", panel=2, pieces=4, fitted_on=date(2024, 5, 4)
        )
        in_panel_2 = {"kind": "corner", "panel": 2}
        assert installed_part_for(porch.unit, **in_panel_2, on=date(2024, 5, 5)) == metal
        assert installed_part_for(porch.unit, **in_panel_2, on=date(2024, 5, 3)) == porch.corner
        assert installed_part_for(porch.unit, kind="corner", panel=3, on=date(2024, 5, 5)) == porch.corner
        assert installed_part_for(porch.unit, kind="corner", panel=None, on=date(2024, 5, 5)) == porch.corner

    def test_on_the_day_of_an_exchange_it_is_the_part_that_went_out(self, porch: Porch) -> None:
        on, at = date(2024, 5, 4), timezone.now()
        nylon = ComponentTypeFactory(kind="track")
        new = replace_set(porch.track, component_type=nylon, on=on, by=None, at=at)
        days = {-1: porch.track, 0: porch.track, 1: new}
        for offset, part in days.items():
            that_day = on + timedelta(days=offset)
            assert installed_part_for(porch.unit, kind="track", panel=None, on=that_day) == part

    def test_on_the_day_one_panel_was_changed_it_is_the_old_share(self, porch: Porch) -> None:
        on, at = date(2024, 5, 4), timezone.now()
        metal = ComponentTypeFactory(kind="corner")
        new = change_panel_share(porch.corner, panel=2, component_type=metal, on=on, by=None, at=at)
        in_panel_2 = {"kind": "corner", "panel": 2}
        assert installed_part_for(porch.unit, **in_panel_2, on=on) == porch.corner
        assert installed_part_for(porch.unit, **in_panel_2, on=on + timedelta(days=1)) == new
        new.removed_on = date(2025, 1, 1)
        new.save()
        assert installed_part_for(porch.unit, **in_panel_2, on=date(2025, 6, 1)) is None

    def test_on_the_day_of_installation_it_is_the_new_part(self, porch: Porch) -> None:
        installed = porch.unit.installed_on
        assert installed_part_for(porch.unit, kind="track", panel=1, on=installed) == porch.track
        assert installed_part_for(porch.unit, kind="track", panel=1, on=installed - timedelta(days=1)) is None

    def test_it_stays_open_where_nobody_can_say(self, porch: Porch) -> None:
        one = InstalledPartFactory(unit=porch.unit, component_type__kind="film", panel=1)
        assert installed_part_for(porch.unit, kind="film", panel=None, on=day(0)) == one  # there is no other
        InstalledPartFactory(unit=porch.unit, component_type__kind="film", panel=2)
        assert installed_part_for(porch.unit, kind="film", panel=None, on=day(0)) is None
        assert installed_part_for(porch.unit, kind="film", panel=3, on=day(0)) is None
        assert installed_part_for(porch.unit, kind="unit", panel=None, on=day(0)) is None
