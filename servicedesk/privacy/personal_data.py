"""What the desk holds about one customer, and where."""

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
    """The records about one customer: theirs, and those made at a site while it was theirs."""

    customer: Customer

    @cached_property
    def ownerships(self) -> list[Ownership]:
        """Which sites were theirs, and when."""
        return list(self.customer.ownerships.select_related("site").order_by("from_on", "pk"))

    @cached_property
    def sites(self) -> list[Site]:
        """The sites that are or were theirs."""
        return list({ownership.site_id: ownership.site for ownership in self.ownerships}.values())

    @cached_property
    def last_owned(self) -> list[Site]:
        """Sites that nobody owned after them."""
        after = Ownership.objects.filter(site=OuterRef("site"), from_on__gt=OuterRef("from_on"))
        mine = self.customer.ownerships.filter(~Exists(after))
        return list(Site.objects.filter(pk__in=mine.values("site")).order_by("code"))

    @cached_property
    def units(self) -> list[Unit]:
        """The units at these sites."""
        return list(Unit.objects.filter(site__in=self.sites).order_by("code"))

    @property
    def calls(self) -> QuerySet[Call]:
        """Calls about their sites while these were theirs."""
        return Call.objects.filter(self._while_theirs("site", "told_at", moment=True)).order_by(
            "told_at", "pk"
        )

    @property
    def visits(self) -> QuerySet[Visit]:
        """Visits to their sites while these were theirs."""
        theirs = self._while_theirs("site", "starts_at", moment=True)
        return Visit.objects.filter(theirs).order_by("starts_at", "pk")

    @property
    def findings(self) -> QuerySet[Finding]:
        """What was found at their units while these were theirs."""
        return Finding.objects.filter(self._while_theirs("unit__site", "found_on")).order_by("found_on", "pk")

    @property
    def inspections(self) -> QuerySet[Inspection]:
        """Looks at their units while these were theirs."""
        return Inspection.objects.filter(self._while_theirs("unit__site", "inspected_on")).order_by("pk")

    @property
    def works(self) -> QuerySet[Work]:
        """What was done at their units while these were theirs."""
        return Work.objects.filter(self._while_theirs("unit__site", "done_on")).order_by("done_on", "pk")

    @property
    def tasks(self) -> QuerySet[MaintenanceTask]:
        """What was to be done at their sites; a task has no day of its own that tells whose it was."""
        return MaintenanceTask.objects.filter(site__in=self.sites).order_by("pk")

    @property
    def visit_tasks(self) -> QuerySet[VisitTask]:
        """The entries of these tasks on visits."""
        return VisitTask.objects.filter(task__in=self.tasks).order_by("pk")

    @property
    def safety_answers(self) -> QuerySet[SafetyAnswer]:
        """What was answered about dangers in their calls."""
        return SafetyAnswer.objects.filter(call__in=self.calls).order_by("pk")

    @property
    def notifications(self) -> QuerySet[Notification]:
        """Messages written to them."""
        return Notification.objects.filter(customer=self.customer).order_by("pk")

    @property
    def answers(self) -> QuerySet[CustomerAnswer]:
        """What they said about visits."""
        return CustomerAnswer.objects.filter(customer=self.customer).order_by("at", "pk")

    @property
    def phone_records(self) -> QuerySet[PhoneRecord]:
        """What phones sent about their units."""
        about = Q(unit__in=self.units) | Q(site__in=self.sites)
        return PhoneRecord.objects.filter(about).order_by("pk")

    @cached_property
    def names(self) -> tuple[set[str], set[str]]:
        """Every name, and every number or address, under which they were known; also who called for them."""
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
        for who, phone in self.calls.values_list("told_by", "phone"):
            by_kind["name"].add(who)
            by_kind["phone"].add(phone)
        by_kind["mail"] |= set(self.notifications.values_list("sent_to", flat=True))
        names = {name.strip() for name in by_kind["name"]} - {""}
        return names, {text.strip() for text in by_kind["phone"] | by_kind["mail"]} - {""}

    def still_to_do(self) -> list[Model]:
        """List calls and visits of theirs that are not over."""
        coming = self.visits.filter(finished_at=None).exclude(state=Visit.State.CANCELLED)
        return [*self.calls.filter(state__in=Call.OPEN), *coming]

    def _while_theirs(self, site: str, when: str, *, moment: bool = False) -> Q:
        """Say that something happened at a site of theirs while it was theirs."""
        day = f"{when}__date" if moment else when
        within = Q(pk__in=[])
        for ownership in self.ownerships:
            span = Q(**{site: ownership.site_id, f"{day}__gte": ownership.from_on})
            if ownership.until_on is not None:
                span &= Q(**{f"{day}__lt": ownership.until_on})
            within |= span
        return within
