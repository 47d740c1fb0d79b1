"""A porch to work on, and a call about it."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import date, timedelta
from uuid import uuid4

import pytest
from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.calls import operations
from servicedesk.calls.models import Call, SafetyAnswer
from tests.factories import (
    ComponentTypeFactory,
    ConstructionFactory,
    CustomerFactory,
    FailureModeFactory,
    InstalledPartFactory,
    OwnershipFactory,
    SiteFactory,
    UnitFactory,
)
from units.models import Customer, FailureMode, InstalledPart, Site, Unit

SAFE = dict.fromkeys(SafetyAnswer.Question.values, "no")


def day(ago: int) -> date:
    """So many days before today."""
    return timezone.localdate() - timedelta(days=ago)


def typed(**fields: object) -> dict[str, object]:
    """What a form sends, with the key of the record it will make."""
    return {"idempotency_key": str(uuid4()), **fields}


@dataclass(frozen=True)
class Porch:
    """One unit with a bare metal track and plastic corner keys, and how they fail."""

    site: Site
    owner: Customer
    unit: Unit
    track: InstalledPart
    corner: InstalledPart
    binds: FailureMode
    cracked: FailureMode


@pytest.fixture
def porch(db: None) -> Porch:
    """A porch with one unit of four panels on a stepped track."""
    site = SiteFactory(code="S-0001", address="14 Maple Bend", care_by="us")
    owner = CustomerFactory(name="Ada Probeson", phone="555-0142")
    OwnershipFactory(site=site, customer=owner)
    stepped = ConstructionFactory(panel_order="stepped")
    unit = UnitFactory(
        code="U-0001", site=site, panels=4, place="north wall, first from the door", construction=stepped
    )
    track = InstalledPartFactory(unit=unit, component_type=ComponentTypeFactory(name="bare aluminum track"))
    corner = InstalledPartFactory(
        unit=unit, component_type=ComponentTypeFactory(name="plastic corner key", kind="corner"), pieces=16
    )
    return Porch(
        site=site,
        owner=owner,
        unit=unit,
        track=track,
        corner=corner,
        binds=FailureModeFactory(code="TRK-01", kind="track", name="binds", minutes=15),
        cracked=FailureModeFactory(code="KEY-01", kind="corner", name="cracked", minutes=20),
    )


@pytest.fixture
def log(porch: Porch, technician: User) -> Callable[..., Call]:
    """Log a call about the porch."""

    def make(*, answers: Mapping[str, str] = SAFE, **fields: object) -> Call:
        defaults = {"symptom": "stiff", "urgency": "this_week", "words": "It binds.", "unit": porch.unit}
        call = Call(site=porch.site, **{**defaults, **fields})
        return operations.log_call(call, answers=answers, by=technician, at=timezone.now())

    return make


@pytest.fixture
def call(log: Callable[..., Call]) -> Call:
    """A call about the porch's unit in which nobody is in danger."""
    return log()
