"""Work terms, absences, agreed times, weather, service times and week plans."""

from __future__ import annotations

from datetime import date, time

from django.conf import settings
from django.core.exceptions import ValidationError
from django.db import models
from django.db.models import Q

from schedules.querysets import AbsenceQuerySet, WeekPlanQuerySet
from servicedesk.core.rules.conditions import Check
from servicedesk.core.values.dates import clock_time
from units.models import FailureMode


class Weekday(models.IntegerChoices):
    """Days of the week as `date.weekday` counts them."""

    MONDAY = 0, "Monday"
    TUESDAY = 1, "Tuesday"
    WEDNESDAY = 2, "Wednesday"
    THURSDAY = 3, "Thursday"
    FRIDAY = 4, "Friday"
    SATURDAY = 5, "Saturday"
    SUNDAY = 6, "Sunday"


class WorkTerms(models.Model):
    """Work terms of a person: whether they go on routes, skill level, and where they set off.

    Technicians without terms go out from the company's place; others without terms do not go out.
    """

    person = models.OneToOneField(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="work_terms"
    )
    goes_out = models.BooleanField("works on the road", default=True)
    level = models.PositiveSmallIntegerField(
        "can do the work of a", choices=FailureMode.Skill, default=FailureMode.Skill.TECHNICIAN
    )
    latitude = models.DecimalField(
        "starts from, latitude", max_digits=9, decimal_places=6, null=True, blank=True
    )
    longitude = models.DecimalField(
        "starts from, longitude", max_digits=9, decimal_places=6, null=True, blank=True
    )

    class Meta:
        constraints = [
            Check(
                condition=Q(latitude__isnull=True, longitude__isnull=True)
                | Q(
                    latitude__isnull=False,
                    longitude__isnull=False,
                    latitude__gte=-90,
                    latitude__lte=90,
                    longitude__gte=-180,
                    longitude__lte=180,
                ),
                name="workterms_position_whole",
                violation_error_message="Give latitude and longitude in degrees, or neither.",
            ),
        ]

    def __str__(self) -> str:
        return f"how {self.person} works"


class WorkingDay(models.Model):
    """Working hours of one person on one weekday, on the road or in the shop."""

    class Where(models.TextChoices):
        """Where the hours are spent."""

        ROAD = "road", "on the road"
        SHOP = "shop", "in the shop"

    person = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="working_days"
    )
    weekday = models.PositiveSmallIntegerField(choices=Weekday)
    begins = models.TimeField("from", default=time(8))
    ends = models.TimeField("until", default=time(16, 30))
    where = models.CharField(max_length=4, choices=Where, default=Where.ROAD)

    class Meta:
        ordering = ["person", "weekday"]
        constraints = [
            models.UniqueConstraint(
                fields=["person", "weekday"],
                name="workingday_once",
                violation_error_message="This person has hours on that day already.",
            ),
            Check(
                condition=Q(ends__gt=models.F("begins")),
                name="workingday_ends_after_begin",
                violation_error_message="A working day ends after it begins: check the two times.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} on {self.get_weekday_display()}"


class Absence(models.Model):
    """Days on which somebody does not work."""

    person = models.ForeignKey(settings.AUTH_USER_MODEL, on_delete=models.CASCADE, related_name="absences")
    first_on = models.DateField("first day away")
    last_on = models.DateField("last day away")
    note = models.CharField("what the others may know", max_length=80, blank=True)

    objects = AbsenceQuerySet.as_manager()

    class Meta:
        ordering = ["first_on", "pk"]
        indexes = [models.Index(fields=["last_on"], name="absence_by_end")]
        constraints = [
            Check(
                condition=Q(last_on__gte=models.F("first_on")),
                name="absence_ends_after_begin",
                violation_error_message="The last day away is the first one or later.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.person} away from {self.first_on} to {self.last_on}"


class AgreedTime(models.Model):
    """Time window in which a visit to a site may begin; in a week with some, it begins in no other."""

    site = models.ForeignKey("units.Site", on_delete=models.CASCADE, related_name="agreed_times")
    on = models.DateField("on")
    earliest = models.TimeField("begins from", default=time(8))
    latest = models.TimeField("begins until", default=time(16))
    note = models.CharField(max_length=120, blank=True)

    class Meta:
        ordering = ["on", "earliest", "pk"]
        constraints = [
            models.UniqueConstraint(
                fields=["site", "on", "earliest"],
                name="agreedtime_once",
                violation_error_message="That access time is there already.",
            ),
            Check(
                condition=Q(latest__gte=models.F("earliest")),
                name="agreedtime_in_order",
                violation_error_message="“From” comes before “until”: check the two times.",
            ),
        ]

    def __str__(self) -> str:
        return f"{self.on} {clock_time(self.earliest)}–{clock_time(self.latest)}"


class DayWeather(models.Model):
    """Forecast maximum temperature and heat index of a day; film work waits for a warm enough day."""

    on = models.DateField(unique=True)
    warmest_c = models.DecimalField("warmest, °C", max_digits=4, decimal_places=1, null=True, blank=True)
    heat_index_f = models.DecimalField(
        "highest heat index, °F", max_digits=4, decimal_places=1, null=True, blank=True
    )

    def __str__(self) -> str:
        return f"{self.on}: {self.warmest_c} °C, heat index {self.heat_index_f} °F"


class ServiceTime(models.Model):
    """Duration of a kind of work by our records, as a factor shrunk toward 1 where records are few."""

    work = models.CharField(max_length=10, unique=True)
    factor = models.FloatField(help_text="How many times what the rules say.")
    records = models.PositiveIntegerField()
    computed_at = models.DateTimeField()

    def __str__(self) -> str:
        return f"{self.work}: {self.factor:.2f} times"


class WeekPlan(models.Model):
    """One run of week planning: who requested it, its progress, and its result."""

    class Stage(models.TextChoices):
        """Stages of a planning run."""

        WAITING = "waiting", "waiting to begin"
        SOLVING = "solving", "planning"
        DONE = "done", "done"
        FAILED = "failed", "not done"

    UNDER_WAY = (Stage.WAITING, Stage.SOLVING)

    monday = models.DateField()
    stage = models.CharField(max_length=8, choices=Stage, default=Stage.WAITING)
    horizon_days = models.PositiveSmallIntegerField(default=61)
    percent = models.PositiveSmallIntegerField(default=0)
    asked_by = models.ForeignKey(
        settings.AUTH_USER_MODEL, on_delete=models.PROTECT, null=True, blank=True, related_name="+"
    )
    asked_at = models.DateTimeField()
    alive_at = models.DateTimeField(null=True, blank=True)
    done_at = models.DateTimeField(null=True, blank=True)
    said = models.CharField(max_length=300, blank=True)

    objects = WeekPlanQuerySet.as_manager()

    class Meta:
        constraints = [
            models.UniqueConstraint(
                fields=["monday"],
                condition=Q(stage__in=["waiting", "solving"]),
                name="weekplan_one_under_way",
                violation_error_message="This week is being planned already: wait until that is done.",
            ),
        ]

    def __str__(self) -> str:
        return f"week of {self.monday}"

    def clean(self) -> None:
        """Refuse a week that does not begin on a Monday."""
        if isinstance(self.monday, date) and self.monday.weekday() != Weekday.MONDAY:
            raise ValidationError({"monday": "A week begins on a Monday."})


class UnassignedWork(models.Model):
    """Work at a site that a week plan puts on no route, and why."""

    plan = models.ForeignKey(WeekPlan, on_delete=models.CASCADE, related_name="unassigned")
    site = models.ForeignKey("units.Site", on_delete=models.CASCADE, related_name="+")
    tasks = models.PositiveIntegerField()
    minutes = models.PositiveIntegerField()
    priority = models.PositiveSmallIntegerField()
    why = models.CharField(max_length=240)

    class Meta:
        ordering = ["priority", "pk"]

    def __str__(self) -> str:
        return f"{self.site}: {self.why}"
