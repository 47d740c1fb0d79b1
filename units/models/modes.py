"""Failure modes of the kinds of part."""

from __future__ import annotations

from django.db import models
from django.db.models import Q

from servicedesk.core.rules.conditions import Check
from servicedesk.core.rules.constraints import BumpsVersion
from servicedesk.core.rules.new_values import refuse_new, twin_fault
from units.querysets import FailureModeQuerySet

from .parts import Construction, Kind


class FailureMode(models.Model):
    """One way in which parts of a kind lose their function. It belongs to the kind, not to a construction."""

    class Skill(models.IntegerChoices):
        """Skill needed for the repair."""

        HELPER = 1, "trained helper"
        TECHNICIAN = 2, "technician"
        LEAD = 3, "lead or carpenter"

    code = models.CharField(max_length=12, unique=True)
    kind = models.CharField(max_length=12, choices=Kind)
    name = models.CharField(max_length=80)
    mechanism = models.CharField(max_length=120, blank=True)
    cause = models.CharField("usual causes", max_length=200, blank=True)
    detection = models.CharField("how it shows", max_length=200, blank=True)
    only_at_look = models.BooleanField(
        "shows only when somebody looks",
        default=False,
        db_default=False,
        help_text="Nobody would call about it: the time after a unit’s last inspection is not counted.",
    )
    effect = models.CharField("effect", max_length=200, blank=True)
    first_aid = models.CharField("what to do at once", max_length=240, blank=True)
    spares = models.CharField("parts to bring", max_length=200, blank=True)
    skill = models.PositiveSmallIntegerField(choices=Skill, default=Skill.TECHNICIAN)
    persons = models.PositiveSmallIntegerField(default=1)
    minutes = models.PositiveSmallIntegerField("usual minutes", default=20)
    hazards = models.CharField(
        max_length=120, blank=True, help_text="Words from the list of cautions, separated by spaces."
    )
    expected_on = models.ManyToManyField(Construction, blank=True, related_name="expected_modes")
    source = models.CharField(max_length=200, blank=True)
    in_use = models.BooleanField("offered in forms", default=True)

    objects = FailureModeQuerySet.as_manager()

    class Meta:
        ordering = ["kind", "code"]
        constraints = [
            BumpsVersion(name="failuremode_bumps_version"),
            models.UniqueConstraint(
                fields=["kind", "name"],
                name="failuremode_name_once_per_kind",
                violation_error_message="Parts of this kind already have a failure mode of that name.",
            ),
            Check(
                condition=Q(persons__gt=0),
                name="failuremode_persons_positive",
                violation_error_message="It takes at least one person.",
            ),
        ]

    def __str__(self) -> str:
        return self.name

    def clean(self) -> None:
        """Refuse a code, or a name within the kind, that differs from another in capitals or blanks only."""
        name = twin_fault(self, "name", among={"kind": self.kind})
        refuse_new(self, {"code": twin_fault(self, "code"), "name": name})

    @property
    def full_name(self) -> str:
        """Kind and mode, for lists that mix kinds."""
        return f"{self.get_kind_display()}: {self.name}"
