"""Small fleets whose figures can be worked out by hand."""

from __future__ import annotations

from datetime import date, timedelta
from typing import Any

from servicedesk.calls.models import Finding
from servicedesk.reports.questions.selection import Selection
from tests.factories import (
    ComponentTypeFactory,
    FailureModeFactory,
    FindingFactory,
    InstalledPartFactory,
    ObservationPeriodFactory,
    SiteFactory,
    UnitFactory,
)
from units.models import ComponentType, FailureMode, InstalledPart, ObservationPeriod, Site, Unit

DAY_0 = date(2020, 1, 1)
AS_OF = date(2024, 12, 31)


def day(number: int) -> date:
    """Give the day so many days after the first."""
    return DAY_0 + timedelta(days=number)


class Fleet:
    """Records made one by one, with days counted from the first."""

    def __init__(self) -> None:
        self.track: ComponentType = ComponentTypeFactory(name="bare track", kind="track")
        self.liner: ComponentType = ComponentTypeFactory(name="nylon liner", kind="track")
        self.binds: FailureMode = FailureModeFactory(code="TRK-01", name="binds", kind="track")
        self.waves: FailureMode = FailureModeFactory(code="LIN-01", name="waves", kind="track")

    def unit(self, site: Site | None = None, **facts: Any) -> Unit:
        """Put up a unit that nobody watches yet."""
        unit: Unit = UnitFactory(site=site or SiteFactory(), installed_on=DAY_0, **facts)
        return unit

    def watch(self, unit: Unit, begin: int, end: int | None = None) -> ObservationPeriod:
        """Watch a unit from one day to another."""
        period: ObservationPeriod = ObservationPeriodFactory(
            unit=unit, from_on=day(begin), until_on=None if end is None else day(end)
        )
        return period

    def fit(
        self,
        unit: Unit,
        begin: int = 0,
        end: int | None = None,
        *,
        of: ComponentType | None = None,
        **facts: Any,
    ) -> InstalledPart:
        """Fit a part on one day and take it out on another."""
        part: InstalledPart = InstalledPartFactory(
            unit=unit,
            component_type=of or self.track,
            fitted_on=day(begin),
            removed_on=None if end is None else day(end),
            **facts,
        )
        return part

    def watched_part(self, *, of: ComponentType | None = None, site: Site | None = None) -> InstalledPart:
        """Fit a part on the first day in a unit watched ever since."""
        unit = self.unit(site)
        self.watch(unit, 0)
        return self.fit(unit, of=of)

    def find(self, part: InstalledPart, on: int, *, mode: FailureMode | None = None, **facts: Any) -> Finding:
        """Find that a part has failed."""
        finding: Finding = FindingFactory(
            installed_part=part, mode=mode or self.binds, found_on=day(on), **facts
        )
        return finding


def up_to(last: int, **fields: Any) -> Selection:
    """Select everything, the records read on a day."""
    return Selection(as_of=day(last), **fields)
