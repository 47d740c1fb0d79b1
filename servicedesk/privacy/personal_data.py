"""Personal data of one customer, and where they are stored."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

from django.db.models import Exists, Model, OuterRef, Q, QuerySet

from schedules.models import CustomerAnswer, MaintenanceTask, Notification, Visit, VisitTask
from servicedesk.calls.models import Call, Finding, Inspection, PhoneRecord, SafetyAnswer, Work
from servicedesk.core.models import ChangedField
from units.models import Customer, Ownership, Site, Unit


@dataclass(frozen=True)
class PersonalData:
    """Records about one customer: their own, and those made at a site while it was theirs."""

    customer: Customer

    @cached_property
    def ownerships(self) -> list[Ownership]:
        """Their ownerships of sites, with dates."""
        return list(self.customer.ownerships.select_related("site").order_by("from_on", "pk"))

    @cached_property
    def sites(self) -> list[Site]:
        """Sites that are or were theirs."""
        return list({ownership.site_id: ownership.site for ownership in self.ownerships}.values())

    @cached_property
    def last_owned(self) -> list[Site]:
        """Sites that nobody owned after them."""
        after = Ownership.objects.filter(site=OuterRef("site"), from_on__gt=OuterRef("from_on"))
        mine = self.customer.ownerships.filter(~Exists(after))
        return list(Site.objects.filter(pk__in=mine.values("site")).order_by("code"))

    @cached_property
    def units(self) -> list[Unit]:
        """Units at these sites."""
        return list(Unit.objects.filter(site__in=self.sites).order_by("code"))

    @property
    def calls(self) -> QuerySet[Call]:
        """Calls about their sites while these were theirs."""
        return Call.objects.filter(self._while_theirs("site", "reported_at", moment=True)).order_by(
            "reported_at", "pk"
        )

    @property
    def visits(self) -> QuerySet[Visit]:
        """Visits to their sites while these were theirs."""
        theirs = self._while_theirs("site", "starts_at", moment=True)
        return Visit.objects.filter(theirs).order_by("starts_at", "pk")

    @property
    def findings(self) -> QuerySet[Finding]:
        """Findings at their units while these were theirs."""
        return Finding.objects.filter(self._while_theirs("unit__site", "found_on")).order_by("found_on", "pk")

    @property
    def inspections(self) -> QuerySet[Inspection]:
        """Inspections of their units while these were theirs."""
        return Inspection.objects.filter(self._while_theirs("unit__site", "inspected_on")).order_by("pk")

    @property
    def works(self) -> QuerySet[Work]:
        """Work done at their units while these were theirs."""
        return Work.objects.filter(self._while_theirs("unit__site", "done_on")).order_by("done_on", "pk")

    @property
    def tasks(self) -> QuerySet[MaintenanceTask]:
        """Tasks at their sites; a task has no date of its own that would limit it to their ownership."""
        return MaintenanceTask.objects.filter(site__in=self.sites).order_by("pk")

    @property
    def visit_tasks(self) -> QuerySet[VisitTask]:
        """Entries of these tasks on visits."""
        return VisitTask.objects.filter(task__in=self.tasks).order_by("pk")

    @property
    def safety_answers(self) -> QuerySet[SafetyAnswer]:
        """Safety answers in their calls."""
        return SafetyAnswer.objects.filter(call__in=self.calls).order_by("pk")

    @property
    def notifications(self) -> QuerySet[Notification]:
        """Messages to them."""
        return Notification.objects.filter(customer=self.customer).order_by("pk")

    @property
    def answers(self) -> QuerySet[CustomerAnswer]:
        """Their answers about visits."""
        return CustomerAnswer.objects.filter(customer=self.customer).order_by("at", "pk")

    @property
    def phone_records(self) -> QuerySet[PhoneRecord]:
        """Phone records about their units."""
        about = Q(unit__in=self.units) | Q(site__in=self.sites)
        return PhoneRecord.objects.filter(about).order_by("pk")

    @cached_property
    def names(self) -> tuple[set[str], set[str]]:
        """Every name, and every number or address, of theirs; also those of callers for them."""
        by_kind = {
            "name": {self.customer.name},
            "phone": {self.customer.phone},
            "mail": {self.customer.email},
        }
        shown_as = {str(Customer._meta.get_field("name").verbose_name): "name"}
        shown_as |= {str(Customer._meta.get_field("phone").verbose_name): "phone"}
        shown_as |= {str(Customer._meta.get_field("email").verbose_name): "mail"}
        earlier = ChangedField.objects.filter(change__subject="units.customer")
        for field in earlier.filter(change__subject_id=self.customer.pk, field__in=shown_as):
            by_kind[shown_as[field.field]] |= {field.before, field.after}
        for who, phone in self.calls.values_list("reported_by", "phone"):
            by_kind["name"].add(who)
            by_kind["phone"].add(phone)
        by_kind["mail"] |= set(self.notifications.values_list("sent_to", flat=True))
        names = {name.strip() for name in by_kind["name"]} - {""}
        return names, {text.strip() for text in by_kind["phone"] | by_kind["mail"]} - {""}

    def still_to_do(self) -> list[Model]:
        """Open calls and visits of theirs."""
        coming = self.visits.filter(finished_at=None).exclude(state=Visit.State.CANCELLED)
        return [*self.calls.filter(state__in=Call.OPEN), *coming]

    def _while_theirs(self, site: str, when: str, *, moment: bool = False) -> Q:
        """Condition that something happened at a site of theirs while it was theirs."""
        day = f"{when}__date" if moment else when
        within = Q(pk__in=[])
        for ownership in self.ownerships:
            span = Q(**{site: ownership.site_id, f"{day}__gte": ownership.from_on})
            if ownership.until_on is not None:
                span &= Q(**{f"{day}__lt": ownership.until_on})
            within |= span
        return within
