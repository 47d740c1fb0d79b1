"""Erasing a customer: their name and how to reach them go, the history of the windows stays.

What is the customer's alone is emptied. In free words of records made at their sites while these were theirs,
their names, numbers and addresses are taken out. Old values in the history give way to "erased", which is the
one change the database lets through there, and itself recorded. Backups made before hold all until they are
thrown away.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cached_property

from django.db.models import Model

from schedules.models import Notification
from servicedesk.calls.models import Call
from servicedesk.office.privacy.eraser import Eraser, shown_as
from servicedesk.office.privacy.holdings import Holdings
from servicedesk.office.privacy.scrubbing import MARK, Scrubber
from servicedesk.people.models import StagedCustomer, StagedProblem, StagedRow, User
from servicedesk.refusals import RuleViolation, atomic_operation
from units.models import Customer, Site, Unit

NOBODY = "erased customer"
ABOUT_A_KILOMETER = Decimal("0.01")


@dataclass(frozen=True)
class Erased:
    """How much was erased."""

    records: int
    history: int


def erase_customer(customer: Customer, *, places: bool, by: User, at: datetime) -> Erased:
    """Erase a customer; with ``places`` also the addresses of sites that nobody owned after them.

    Raises
    ------
    RuleViolation
        While a call or a visit of theirs is not over.
    """
    with atomic_operation():
        holdings = Holdings(Customer.objects.select_for_update().get(pk=customer.pk))
        if holdings.still_to_do():
            left = ", ".join(str(each) for each in holdings.still_to_do()[:5])
            raise RuleViolation(f"Something is still to be done for them: {left}. Close or cancel it first.")
        return _Erasing(holdings, Eraser(by, at), places=places).run()


def erase_callers(calls: Sequence[Call], *, by: User | None, at: datetime) -> None:
    """Take away who called and on which number, from calls and from their history."""
    with atomic_operation():
        eraser = Eraser(by, at)
        eraser.empty(calls, told_by="", phone="")
        eraser.erase_history(calls, fields=shown_as(calls, "told_by", "phone"))


@dataclass
class _Erasing:
    """One erasure under way."""

    held: Holdings
    eraser: Eraser
    places: bool

    @cached_property
    def scrubber(self) -> Scrubber:
        """Knows what is to be taken out of free words."""
        names, contacts = self.held.names
        addresses = {site.address for site in self.held.last_owned if self.places} - {""}
        return Scrubber(frozenset(names - {NOBODY}), frozenset(contacts | addresses))

    def run(self) -> Erased:
        """Erase all."""
        calls, owned = list(self.held.calls), list(self.held.ownerships)
        _ = self.scrubber  # read off what is to be taken out before it is gone
        self._scrub_words()
        self._scrub_old_values(calls)
        self.eraser.empty(calls, told_by="", phone="")
        self.eraser.erase_history(calls, fields=shown_as(calls, "told_by", "phone"))
        self.eraser.erase_history(owned, fields=shown_as(owned, "customer"))
        self._erase_notifications()
        self._erase_staged()
        if self.places:
            self._erase_places(self.held.last_owned)
        customer = self.held.customer
        self.eraser.empty([customer], name=NOBODY, phone="", email="", note="")
        self.eraser.erase_history([customer])
        return Erased(self.eraser.records, self.eraser.history)

    def _scrub_words(self) -> None:
        """Take their names out of free words, wherever somebody may have written them."""
        holdings = self.held
        for rows, fields in (
            (holdings.calls, ("words",)),
            (holdings.safety_answers, ("made_safe_how",)),
            (holdings.visits, ("note",)),
            (holdings.inspections, ("note",)),
            (holdings.findings, ("note", "place", "made_safe_how")),
            (holdings.works, ("note",)),
            (holdings.tasks, ("reason",)),
            (holdings.visit_tasks, ("needs",)),
            (holdings.answers, ("words",)),
            (Site.objects.filter(pk__in=[site.pk for site in holdings.sites]), ("access_notes",)),
            (Unit.objects.filter(pk__in=[unit.pk for unit in holdings.units]), ("note", "place")),
        ):
            for row in rows:
                values = {name: self.scrubber.text(getattr(row, name)) for name in fields}
                if any(values[name] != getattr(row, name) for name in fields):
                    self.eraser.empty([row], **values)
        for record in holdings.phone_records:
            payload, answer = self.scrubber.tree(record.told), self.scrubber.tree(record.answer)
            look_at = self.scrubber.text(record.look_at)
            if (payload, answer, look_at) != (record.told, record.answer, record.look_at):
                type(record).objects.filter(pk=record.pk).update(told=payload, answer=answer, look_at=look_at)
                self.eraser.records += 1

    def _scrub_old_values(self, calls: Sequence[Model]) -> None:
        """Erase old values that hold a name of theirs, in the history of all records at their sites."""
        holdings = self.held
        groups: list[Iterable[Model]] = [
            *(
                calls,
                holdings.ownerships,
                holdings.safety_answers,
                holdings.visits,
                holdings.inspections,
                holdings.findings,
                holdings.works,
            ),
            *(holdings.tasks, holdings.notifications, holdings.answers, holdings.sites, holdings.units),
        ]
        for rows in groups:
            by_subject = list(rows)
            for start in range(0, len(by_subject), 500):
                self.eraser.scrub_history(by_subject[start : start + 500], self.scrubber)

    def _erase_notifications(self) -> None:
        notifications = self.held.notifications
        notifications.filter(stage__in=[Notification.Stage.WAITING, Notification.Stage.WITHHELD]).update(
            stage=Notification.Stage.NEEDLESS, why="the customer was erased"
        )
        self.eraser.records += notifications.update(title="", body="", sent_to="", told={}, why="")
        others = Notification.objects.filter(customer=None).exclude(body="", told={})
        for notification in others.iterator():
            values = {
                "title": self.scrubber.text(notification.title),
                "body": self.scrubber.text(notification.body),
            }
            values["told"] = self.scrubber.tree(notification.told)
            if any(value != getattr(notification, name) for name, value in values.items()):
                Notification.objects.filter(pk=notification.pk).update(**values)
                self.eraser.records += 1

    def _erase_staged(self) -> None:
        """Take them out of what is left of files that were brought in."""
        names = [name.casefold() for name in self.scrubber.names]
        StagedCustomer.objects.filter(key__in=names).delete()
        for row in StagedRow.objects.filter(key__in=[unit.code for unit in self.held.units]):
            facts = self.scrubber.tree(row.facts)
            if facts != row.facts:
                StagedRow.objects.filter(pk=row.pk).update(facts=facts)
                self.eraser.records += 1
        for text in self.scrubber.names | self.scrubber.contacts:
            self.eraser.records += StagedProblem.objects.filter(value__iexact=text).update(value=MARK)

    def _erase_places(self, sites: Sequence[Site]) -> None:
        """Take away the addresses of sites; for the figures, the place stays known to about a kilometer."""
        for site in sites:
            near = {
                name: None if value is None else value.quantize(ABOUT_A_KILOMETER)
                for name, value in (("latitude", site.latitude), ("longitude", site.longitude))
            }
            self.eraser.empty([site], address="", access_notes="", **near)
        self.eraser.erase_history(
            sites, fields=shown_as(sites, "address", "access_notes", "latitude", "longitude", "postcode")
        )
        for visit in self.held.visits.filter(site__in=sites).exclude(place=""):
            self.eraser.empty([visit], place="")
            self.eraser.erase_history([visit], fields=shown_as([visit], "place"))
