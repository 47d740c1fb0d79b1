"""QuerySets of calls, findings, inspections, work done and photos."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from datetime import date
from typing import TYPE_CHECKING, Any, Self

from django.db import models
from django.db.models import Exists, F, OuterRef, Prefetch, Q, Window
from django.db.models.functions import RowNumber

from servicedesk.core.values.searching import WordSearch, every_word, phone_has, some
from units.querysets import site_holds, site_sources

if TYPE_CHECKING:
    from servicedesk.calls.models import (  # noqa: F401
        Call,
        Finding,
        Inspection,
        PhoneRecord,
        Photo,
        Work,
    )
    from units.models import FailureMode, Site, Unit

OVER = 9  # rank of closed and cancelled calls: they come last, and one index finds them
SAME_FAULT_DAYS = 30  # within this time, the same fault at the same unit may never have gone away


def _told(word: str) -> Q:
    """Calls with a word in what was said, or in who called from where."""
    said = Q(words__icontains=word) | Q(reported_by__icontains=word) | Q(ref__icontains=word)
    return said | phone_has(word, "phone")


def call_sources(word: str) -> dict[str, list[models.QuerySet[Any]]]:
    """Subqueries for calls with a word in what was said, in who called from where, or in the site's data."""
    from servicedesk.calls.models import Call

    said = Call.objects.filter(_told(word)).values_list("pk", flat=True)
    return {"pk": [said], "site": site_sources(word)["pk"]}


def call_holds(word: str) -> Q:
    """Condition that a call is one that `call_sources` selects."""
    from units.models import Site

    return _told(word) | some(Site.objects.filter(site_holds(word), pk=OuterRef("site")))


CALLS = WordSearch(call_sources, call_holds)


class CallQuerySet(models.QuerySet["Call"]):
    """QuerySet of calls."""

    def open(self) -> Self:
        """Calls that are neither closed nor cancelled."""
        return self.filter(state__in=["needs-action", "in-process"])

    def over(self) -> Self:
        """Calls that are closed or cancelled."""
        return self.filter(rank=OVER)

    def waiting(self) -> Self:
        """Open calls whose repair waits for a part, the maker or the customer."""
        return self.open().exclude(Q(task__isnull=True) | Q(task__waiting_for=""))

    def with_open_danger(self) -> Self:
        """Calls in which somebody may get hurt and nobody has recorded what made it safe.

        This is the definition of an open danger for every page: a safety question answered with yes and not
        made safe, or a call with urgency today of which nobody said which danger it is. A finding that names
        a danger always records what made it safe, and so answers its call (`record_finding`).
        """
        from servicedesk.calls.models import SafetyAnswer

        named = SafetyAnswer.objects.filter(call=OuterRef("pk"), answer="yes")
        stands = Exists(named.filter(made_safe_at__isnull=True))
        return self.open().filter(stands | (Q(urgency="make_safe") & ~Exists(named)))

    def for_site(self, site: Site) -> Self:
        """Calls of one site."""
        return self.filter(site=site)

    def matching(self, text: str) -> Self:
        """Calls that match a search: what was said, who called, the phone, the site, its owner, a unit."""
        return every_word(self, text, CALLS) if text else self

    def for_search(self, data: Mapping[str, Any]) -> Self:
        """Calls that the search form selects: a text, and a state (open ones by default)."""
        calls = self.matching((data.get("q") or "").strip())
        state = data.get("state")
        if state == "all":
            return calls
        if state == "closed":
            return calls.over()
        # The rank says no more than the state, but the list is read in its order and can stop there.
        return (calls.waiting() if state == "waiting" else calls.open()).filter(rank__lt=OVER)

    def most_urgent_first(self) -> Self:
        """Calls by urgency, the most urgent first."""
        return self.order_by("rank", "reported_at", "pk")

    def for_list(self) -> Self:
        """Calls with what the list shows of each."""
        from schedules.models import VisitTask

        planned = VisitTask.objects.select_related("visit").order_by("-visit__starts_at", "-pk")
        return self.select_related("site", "unit", "task").prefetch_related(
            "safety_answers", Prefetch("task__visit_tasks", queryset=planned)
        )

    def for_page(self) -> Self:
        """Calls with what the page of one call shows."""
        return self.for_list().select_related("unit__construction", "logged_by")


class InspectionQuerySet(models.QuerySet["Inspection"]):
    """QuerySet of inspections."""

    def without_fault(self) -> Self:
        """Inspections with no fault found."""
        return self.filter(outcome="fine")

    def last_good(self, unit: Unit, on: date) -> date | None:
        """Last day before a given one on which a unit was inspected with no fault found.

        The day itself does not count: a fault found on it came up after the last good inspection, and
        the interval (last good, found] would be empty.
        """
        days = self.without_fault().filter(unit=unit, inspected_on__lt=on).order_by("-inspected_on")
        return days.values_list("inspected_on", flat=True).first()

    def for_list(self) -> Self:
        """Inspections with what lists show of each, newest first."""
        return self.select_related("unit", "inspected_by").order_by("-inspected_on", "-pk")


class FindingQuerySet(models.QuerySet["Finding"]):
    """QuerySet of findings."""

    def failures(self) -> Self:
        """Findings that are failures, not only wear."""
        return self.filter(is_failure=True)

    def standing_dangers(self) -> Self:
        """Findings of a danger that was made safe and that no work has repaired yet."""
        return self.filter(severity="danger", works__isnull=True)

    def earlier_of(self, unit: Unit, mode: FailureMode, *, on: date) -> Self:
        """Findings of the same failure mode at the same unit up to a day, the newest first."""
        return self.filter(unit=unit, mode=mode, found_on__lte=on).for_list()

    def for_list(self) -> Self:
        """Findings with what lists show of each, newest first."""
        return self.select_related(
            "unit__site", "mode", "installed_part__component_type", "recorded_by", "continues"
        ).order_by("-found_on", "-pk")

    def last_at_sites(self, sites: Collection[int], *, most: int) -> Self:
        """The last few findings at each of some sites, the newest first."""
        newest = (F("found_on").desc(), F("pk").desc())
        place = Window(RowNumber(), partition_by=F("unit__site"), order_by=newest)
        ranked = self.filter(unit__site__in=sites).annotate(place_at_site=place)
        return ranked.filter(place_at_site__lte=most).order_by("-found_on", "-pk")

    def for_unit_sheet(self, unit: Unit) -> Self:
        """Findings at one unit, newest first."""
        return self.filter(unit=unit).for_list()


class WorkQuerySet(models.QuerySet["Work"]):
    """QuerySet of work done."""

    def for_list(self) -> Self:
        """Work with what lists show of each, newest first."""
        return self.select_related(
            "unit", "installed_part__component_type", "finding__mode", "done_by"
        ).order_by("-done_on", "-pk")

    def last_at_sites(self, sites: Collection[int], *, most: int) -> Self:
        """The last few pieces of work at each of some sites, the newest first."""
        newest = (F("done_on").desc(), F("pk").desc())
        place = Window(RowNumber(), partition_by=F("unit__site"), order_by=newest)
        ranked = self.filter(unit__site__in=sites).annotate(place_at_site=place)
        return ranked.filter(place_at_site__lte=most).order_by("-done_on", "-pk")

    def for_unit_sheet(self, unit: Unit) -> Self:
        """Work done at one unit, newest first."""
        return self.filter(unit=unit).for_list()


class PhotoQuerySet(models.QuerySet["Photo"]):
    """QuerySet of photos."""

    def of_unit(self, unit: Unit) -> Self:
        """Photos of a unit, of findings at it and of calls about it, the newest first."""
        about = Q(unit=unit) | Q(finding__unit=unit) | Q(call__unit=unit)
        return self.filter(about).order_by("-added_at", "-pk")


class PhoneRecordQuerySet(models.QuerySet["PhoneRecord"]):
    """QuerySet of phone records."""

    def to_settle(self) -> Self:
        """Records that the office has to settle, the oldest first."""
        return self.exclude(look_at="").filter(seen_at=None).order_by("received_at", "pk")
