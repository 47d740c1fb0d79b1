"""Querysets of maintenance, tasks, visits, absences, week plans, messages and calendar links."""

from __future__ import annotations

from datetime import date, datetime
from typing import TYPE_CHECKING, Self

from django.db import models
from django.db.models import Case, Exists, F, OuterRef, Prefetch, Q, Value, When

if TYPE_CHECKING:
    from schedules.models import (  # noqa: F401
        Absence,
        CalendarLink,
        MaintenanceRule,
        MaintenanceTask,
        NextDue,
        Notification,
        Visit,
        VisitTask,
        WeekPlan,
    )
    from servicedesk.accounts.models import User


class MaintenanceRuleQuerySet(models.QuerySet["MaintenanceRule"]):
    """Queryset of maintenance rules."""

    def active(self) -> Self:
        """Rules in force."""
        return self.filter(active=True)

    def for_every_part(self) -> Self:
        """Rules under which every part of a type comes, exposed or not."""
        return self.filter(Q(exposed_to="") | Q(exposed_months__isnull=False))

    def for_list(self) -> Self:
        """Rules with their types, in the order of the list."""
        return self.select_related("component_type").order_by(
            "component_type__kind", "component_type__name", "name", "pk"
        )


class NextDueQuerySet(models.QuerySet["NextDue"]):
    """Queryset of next dues."""

    def due(self, today: date) -> Self:
        """Next dues on or before a day."""
        return self.filter(next_due_on__lte=today)

    def of_parts_in_place(self) -> Self:
        """Next dues of parts in place, under rules in force."""
        return self.filter(installed_part__removed_on__isnull=True, rule__active=True)

    def ours(self) -> Self:
        """Next dues that we do, as agreed, of parts in place in units in place."""
        return self.of_parts_in_place().filter(
            installed_part__unit__removed_on__isnull=True, installed_part__unit__site__care_by="us"
        )

    def without_task(self) -> Self:
        """Next dues without an open task."""
        from schedules.models import MaintenanceTask

        return self.filter(~Exists(MaintenanceTask.objects.open().filter(next_due=OuterRef("pk"))))

    def locked(self) -> Self:
        """Next dues locked until the transaction ends, in one order for all."""
        return (
            self.select_for_update(of=("self",), no_key=True)
            .select_related("rule", "installed_part__unit__site")
            .order_by("pk")
        )

    def locked_for(self, units: list[int], *, works: set[str]) -> Self:
        """Locked next dues of parts in place in some units that some kinds of work satisfy."""
        return (
            self.of_parts_in_place().filter(installed_part__unit_id__in=units, rule__work__in=works).locked()
        )

    def coming(self, site_id: int, *, until: date) -> Self:
        """Next dues of ours at a site up to a day that have no open task."""
        return (
            self.ours()
            .without_task()
            .filter(installed_part__unit__site_id=site_id, next_due_on__lte=until)
            .select_related("rule", "installed_part__component_type", "installed_part__unit")
            .order_by("next_due_on", "installed_part__unit__code", "pk")
        )

    def for_unit(self, unit_id: int) -> Self:
        """Next dues of one unit's parts, the earliest first."""
        return (
            self.of_parts_in_place()
            .filter(installed_part__unit_id=unit_id)
            .select_related("rule", "installed_part__component_type")
            .order_by("next_due_on", "pk")
        )


class MaintenanceTaskQuerySet(models.QuerySet["MaintenanceTask"]):
    """Queryset of maintenance tasks."""

    def open(self) -> Self:
        """Tasks that are neither done nor cancelled."""
        return self.filter(state__in=["needs-action", "in-process"])

    def locked(self) -> Self:
        """Tasks locked until the transaction ends, in one order for all."""
        return (
            self.select_for_update(of=("self",), no_key=True).select_related("next_due__rule").order_by("pk")
        )

    def unplanned(self) -> Self:
        """Open tasks on no visit."""
        return self.filter(state="needs-action")

    def due(self, today: date) -> Self:
        """Tasks whose day has come and that wait for nobody beyond it."""
        return self.filter(Q(waiting_until__isnull=True) | Q(waiting_until__lte=today), due_on__lte=today)

    def making_safe(self) -> Self:
        """Open tasks that take a danger away which still stands."""
        return self.open().filter(priority=1)

    def for_site(self, site_id: int) -> Self:
        """Open tasks of a site with what a visit form shows of them."""
        return (
            self.open()
            .filter(site_id=site_id)
            .select_related("unit", "installed_part__component_type", "next_due__rule")
            .order_by("priority", "due_on", "pk")
        )


class VisitQuerySet(models.QuerySet["Visit"]):
    """Queryset of visits."""

    def open(self) -> Self:
        """Visits still ahead or under way."""
        return self.filter(finished_at__isnull=True).exclude(state="cancelled")

    def between(self, start: datetime, end: datetime) -> Self:
        """Visits that start from one moment up to another."""
        return self.filter(starts_at__gte=start, starts_at__lt=end)

    def of(self, person: User) -> Self:
        """Visits of one technician."""
        return self.filter(technicians=person)

    def locked(self) -> Self:
        """Visits locked until the transaction ends."""
        return self.select_for_update(of=("self",), no_key=True).select_related("site")

    def meeting(self, start: datetime, end: datetime) -> Self:
        """Visits that overlap the time between two moments."""
        return self.filter(starts_at__lt=end, ends_at__gt=start)

    def for_week(self) -> Self:
        """Visits with what the list of a week shows of each: how many tasks (``task_number``), not which."""
        return (
            self.with_danger()
            .select_related("site")
            .prefetch_related("technicians")
            .annotate(task_number=models.Count("visit_tasks"))
            .order_by("starts_at", "pk")
        )

    def for_list(self) -> Self:
        """Visits with what a list shows of each, in the order of the day; tasks as they come on the visit."""
        from schedules.models import VisitTask

        return (
            self.with_danger()
            .select_related("site")
            .prefetch_related(
                "technicians", Prefetch("visit_tasks", queryset=VisitTask.objects.danger_first())
            )
            .order_by("starts_at", "pk")
        )

    def with_danger(self) -> Self:
        """Visits with whether they take a danger away that still stands (``has_danger``)."""
        from schedules.models import MaintenanceTask

        dangers = MaintenanceTask.objects.making_safe().filter(visit_tasks__visit=OuterRef("pk"))
        return self.annotate(has_danger=Exists(dangers))


class VisitTaskQuerySet(models.QuerySet["VisitTask"]):
    """Queryset of the tasks of visits."""

    def danger_first(self) -> Self:
        """Tasks of visits with their units; those that take a danger away come first."""
        danger = When(task__priority=1, task__state__in=["needs-action", "in-process"], then=Value(0))
        return self.select_related("task__unit").order_by(Case(danger, default=Value(1)), "pk")


class AbsenceQuerySet(models.QuerySet["Absence"]):
    """Queryset of absences."""

    def meeting(self, first: date, last: date) -> Self:
        """Absences that overlap a run of days, both end days included."""
        return self.filter(first_on__lte=last, last_on__gte=first)

    def to_come(self, today: date) -> Self:
        """Absences that are not over, with the names."""
        return self.filter(last_on__gte=today).select_related("person").order_by("first_on", "pk")


class WeekPlanQuerySet(models.QuerySet["WeekPlan"]):
    """Queryset of week plans."""

    def of_week(self, monday: date) -> Self:
        """Plans of one week, the last one first."""
        return self.filter(monday=monday).order_by("-pk")

    def to_solve(self, silent_since: datetime) -> Self:
        """Plans that wait, and those whose lease was not renewed since a moment."""
        waiting, given_up = Q(stage="waiting"), Q(stage="solving", alive_at__lt=silent_since)
        return self.filter(waiting | given_up).order_by("pk")


class NotificationQuerySet(models.QuerySet["Notification"]):
    """Queryset of messages."""

    def at_stage(self, stage: str) -> Self:
        """Messages at a stage; all where none is named."""
        return self.filter(stage=stage) if stage else self

    def for_list(self) -> Self:
        """Messages with their addressees."""
        return self.select_related("customer", "person")

    def about_visit(self, visit: int) -> Self:
        """Messages about one visit, the last one first."""
        return self.filter(subject="visit", subject_id=visit).for_list().order_by("-pk")


class CalendarLinkQuerySet(models.QuerySet["CalendarLink"]):
    """Queryset of calendar links."""

    def in_force(self) -> Self:
        """Links that were not revoked, of people who still work here or of the team."""
        working = Q(person__isnull=True) | Q(person__is_active=True)
        return self.filter(working, revoked_at__isnull=True)

    def opened_by(self, secret_hash: str) -> Self:
        """The link a secret opens, looked up by its digest, with its person."""
        return self.filter(secret_hash=secret_hash).select_related("person")

    def for_list(self, user: User) -> Self:
        """Links that a user may manage: their own, as a scheduler all, the team's first."""
        from servicedesk.accounts.models import Role

        links = self if user.may_act_as(Role.SCHEDULER) else self.filter(person=user)
        return links.select_related("person").order_by(F("person__name").asc(nulls_first=True), "pk")
