"""Operations on the codes of QR labels."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

from servicedesk.accounts.models import User
from servicedesk.core.history import write_change
from servicedesk.core.rules.refusals import atomic_operation
from units.models import Unit, UnitLabel
from units.operations import locked

A_MOMENT = timedelta(seconds=30)


def labels_for(units: Sequence[Unit], *, by: User | None, at: datetime) -> list[UnitLabel]:
    """Label in force of each unit, made where it has none."""
    with atomic_operation():
        in_force = UnitLabel.objects.filter(unit__in=units, replaced_at=None)
        known = set(in_force.values_list("unit_id", flat=True))
        UnitLabel.objects.bulk_create(
            [UnitLabel(unit=unit, made_at=at, made_by=by) for unit in units if unit.pk not in known],
            ignore_conflicts=True,
        )
    return list(
        UnitLabel.objects.filter(unit__in=units, replaced_at=None)
        .select_related("unit")
        .order_by("unit__code")
    )


def replace_label(unit: Unit, *, by: User | None, at: datetime) -> UnitLabel:
    """Replace the label in force by one with a new code; a second request in a row changes nothing."""
    with atomic_operation():
        unit = locked(unit)
        recent = unit.labels.filter(replaced_at=None, made_by=by, made_at__gt=at - A_MOMENT).first()
        if recent is not None and unit.labels.filter(replaced_at=recent.made_at).exists():
            return recent
        unit.labels.filter(replaced_at=None).update(replaced_at=at)
        made = UnitLabel(unit=unit, made_at=at, made_by=by)
        made.full_clean()
        made.save()
        write_change(unit, action="label replaced", by=by, at=at)
    return made
