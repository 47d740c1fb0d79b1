"""The smallest valid object of each kind."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta

import factory
from factory.django import DjangoModelFactory

from schedules.models import MaintenanceRule, MaintenanceTask, NextDue, Visit
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Inspection, Work
from units.models import (
    ComponentType,
    Construction,
    ConstructionPart,
    Customer,
    FailureMode,
    InstalledPart,
    ObservationPeriod,
    Ownership,
    Site,
    Unit,
)

INSTALLED = date(2020, 3, 2)


class UserFactory(DjangoModelFactory[User]):
    class Meta:
        model = User

    username = factory.Sequence(lambda n: f"person{n}")
    name = factory.Sequence(lambda n: f"Testa Person{n}")


class CustomerFactory(DjangoModelFactory[Customer]):
    class Meta:
        model = Customer

    name = factory.Sequence(lambda n: f"Customer Probeson{n}")


class SiteFactory(DjangoModelFactory[Site]):
    class Meta:
        model = Site

    code = factory.Sequence(lambda n: f"S{n:04d}")
    address = factory.Sequence(lambda n: f"{n} Testing Lane")


class OwnershipFactory(DjangoModelFactory[Ownership]):
    class Meta:
        model = Ownership

    site = factory.SubFactory(SiteFactory)
    customer = factory.SubFactory(CustomerFactory)
    from_on = INSTALLED


class ComponentTypeFactory(DjangoModelFactory[ComponentType]):
    class Meta:
        model = ComponentType

    name = factory.Sequence(lambda n: f"track type {n}")
    kind = "track"


class ConstructionFactory(DjangoModelFactory[Construction]):
    class Meta:
        model = Construction

    name = factory.Sequence(lambda n: f"construction {n}")
    code = factory.Sequence(lambda n: f"C{n}")


class ConstructionPartFactory(DjangoModelFactory[ConstructionPart]):
    class Meta:
        model = ConstructionPart

    construction = factory.SubFactory(ConstructionFactory)
    component_type = factory.SubFactory(ComponentTypeFactory)


class FailureModeFactory(DjangoModelFactory[FailureMode]):
    class Meta:
        model = FailureMode

    code = factory.Sequence(lambda n: f"TST-{n:03d}")
    kind = "track"
    name = factory.Sequence(lambda n: f"fails in way {n}")


class UnitFactory(DjangoModelFactory[Unit]):
    class Meta:
        model = Unit

    code = factory.Sequence(lambda n: f"U{n:05d}")
    site = factory.SubFactory(SiteFactory)
    installed_on = INSTALLED


class InstalledPartFactory(DjangoModelFactory[InstalledPart]):
    class Meta:
        model = InstalledPart

    unit = factory.SubFactory(UnitFactory)
    component_type = factory.SubFactory(ComponentTypeFactory)
    kind = factory.SelfAttribute("component_type.kind")
    fitted_on = factory.SelfAttribute("unit.installed_on")


class ObservationPeriodFactory(DjangoModelFactory[ObservationPeriod]):
    class Meta:
        model = ObservationPeriod

    unit = factory.SubFactory(UnitFactory)
    from_on = factory.SelfAttribute("unit.installed_on")


class MaintenanceRuleFactory(DjangoModelFactory[MaintenanceRule]):
    class Meta:
        model = MaintenanceRule

    component_type = factory.SubFactory(ComponentTypeFactory)
    name = factory.Sequence(lambda n: f"care {n}")
    work = "lubricated"
    interval_months = 12


class NextDueFactory(DjangoModelFactory[NextDue]):
    class Meta:
        model = NextDue

    installed_part = factory.SubFactory(InstalledPartFactory)
    rule = factory.SubFactory(
        MaintenanceRuleFactory, component_type=factory.SelfAttribute("..installed_part.component_type")
    )
    counted_from = factory.SelfAttribute("installed_part.fitted_on")
    next_due_on = date(2026, 3, 1)


class TaskFactory(DjangoModelFactory[MaintenanceTask]):
    class Meta:
        model = MaintenanceTask

    unit = factory.SubFactory(UnitFactory)
    site = factory.SelfAttribute("unit.site")
    origin = "care"
    reason = "Lubricate the track"
    due_on = date(2026, 3, 1)


class VisitFactory(DjangoModelFactory[Visit]):
    class Meta:
        model = Visit

    site = factory.SubFactory(SiteFactory)
    starts_at = datetime(2026, 5, 4, 13, 0, tzinfo=UTC)
    ends_at = factory.LazyAttribute(lambda visit: visit.starts_at + timedelta(hours=1))
    zone = "America/New_York"
    created_at = datetime(2026, 4, 1, 12, 0, tzinfo=UTC)
    changed_at = datetime(2026, 4, 1, 12, 0, tzinfo=UTC)


class CallFactory(DjangoModelFactory[Call]):
    class Meta:
        model = Call

    site = factory.SubFactory(SiteFactory)
    reported_at = datetime(2026, 5, 1, 14, 0, tzinfo=UTC)


class InspectionFactory(DjangoModelFactory[Inspection]):
    class Meta:
        model = Inspection

    unit = factory.SubFactory(UnitFactory)
    inspected_on = date(2026, 5, 1)
    outcome = "fine"


class FindingFactory(DjangoModelFactory[Finding]):
    class Meta:
        model = Finding

    unit = factory.SelfAttribute("installed_part.unit")
    installed_part = factory.SubFactory(InstalledPartFactory)
    mode = factory.SubFactory(FailureModeFactory, kind=factory.SelfAttribute("..installed_part.kind"))
    found_on = date(2024, 6, 1)


class WorkFactory(DjangoModelFactory[Work]):
    class Meta:
        model = Work

    unit = factory.SubFactory(UnitFactory)
    kind = "cleaned"
    done_on = date(2026, 5, 1)
