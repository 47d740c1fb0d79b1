"""Anonymization of a customer: name and contact data are deleted, the history of the windows stays.

The customer's own record is emptied. From free text of records made at their sites while these were theirs,
their names, numbers and addresses are removed. Old values in the history are replaced by "erased", which is
the one change the database allows there, and is itself recorded. Earlier backups contain all data until they
are deleted.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime
from decimal import Decimal
from functools import cached_property

from django.db.models import Model

from schedules.models import Notification
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call
from servicedesk.core.rules.refusals import RuleViolation, atomic_operation
from servicedesk.imports.models import StagedCustomer, StagedProblem, StagedRow
from servicedesk.privacy.anonymizer import Anonymizer, shown_as
from servicedesk.privacy.personal_data import PersonalData
from servicedesk.privacy.scrubbing import MARK, Scrubber
from units.models import Customer, Site, Unit

NOBODY = "erased customer"
ABOUT_A_KILOMETER = Decimal("0.01")


@dataclass(frozen=True)
class Anonymized:
    """Number of records and old values that were anonymized."""

    records: int
    history: int


def anonymize_customer(customer: Customer, *, places: bool, by: User, at: datetime) -> Anonymized:
    """Anonymize a customer; with ``places`` also the addresses of sites that nobody owned after them.

    Raises
    ------
    RuleViolation
        While a call or a visit of theirs is still open.
    """
    with atomic_operation():
        personal_data = PersonalData(Customer.objects.select_for_update().get(pk=customer.pk))
        if personal_data.still_to_do():
            left = ", ".join(str(each) for each in personal_data.still_to_do()[:5])
            raise RuleViolation(f"Something is still to be done for them: {left}. Close or cancel it first.")
        return _Anonymization(personal_data, Anonymizer(by, at), places=places).run()


def anonymize_callers(calls: Sequence[Call], *, by: User | None, at: datetime) -> None:
    """Remove the caller's name and number from calls and from their history."""
    with atomic_operation():
        anonymizer = Anonymizer(by, at)
        anonymizer.empty(calls, reported_by="", phone="")
        anonymizer.anonymize_history(calls, fields=shown_as(calls, "reported_by", "phone"))


@dataclass
class _Anonymization:
    """One anonymization in progress."""

    personal_data: PersonalData
    anonymizer: Anonymizer
    places: bool

    @cached_property
    def scrubber(self) -> Scrubber:
        """Scrubber of the customer's names and contact data."""
        names, contacts = self.personal_data.names
        addresses = {site.address for site in self.personal_data.last_owned if self.places} - {""}
        return Scrubber(frozenset(names - {NOBODY}), frozenset(contacts | addresses))

    def run(self) -> Anonymized:
        """Anonymize everything."""
        calls, owned = list(self.personal_data.calls), list(self.personal_data.ownerships)
        _ = self.scrubber  # computed before the names it removes are gone
        self._scrub_words()
        self._scrub_old_values(calls)
        self.anonymizer.empty(calls, reported_by="", phone="")
        self.anonymizer.anonymize_history(calls, fields=shown_as(calls, "reported_by", "phone"))
        self.anonymizer.anonymize_history(owned, fields=shown_as(owned, "customer"))
        self._anonymize_notifications()
        self._anonymize_staged()
        if self.places:
            self._anonymize_places(self.personal_data.last_owned)
        customer = self.personal_data.customer
        self.anonymizer.empty([customer], name=NOBODY, phone="", email="", note="")
        self.anonymizer.anonymize_history([customer])
        return Anonymized(self.anonymizer.records, self.anonymizer.history)

    def _scrub_words(self) -> None:
        """Remove their names from free text, wherever somebody may have written them."""
        personal_data = self.personal_data
        for rows, fields in (
            (personal_data.calls, ("words",)),
            (personal_data.safety_answers, ("made_safe_how",)),
            (personal_data.visits, ("note",)),
            (personal_data.inspections, ("note",)),
            (personal_data.findings, ("note", "place", "made_safe_how")),
            (personal_data.works, ("note",)),
            (personal_data.tasks, ("reason",)),
            (personal_data.visit_tasks, ("needs",)),
            (personal_data.answers, ("words",)),
            (Site.objects.filter(pk__in=[site.pk for site in personal_data.sites]), ("access_notes",)),
            (Unit.objects.filter(pk__in=[unit.pk for unit in personal_data.units]), ("note", "place")),
        ):
            for row in rows:
                values = {name: self.scrubber.text(getattr(row, name)) for name in fields}
                if any(values[name] != getattr(row, name) for name in fields):
                    self.anonymizer.empty([row], **values)
        for record in personal_data.phone_records:
            payload, answer = self.scrubber.tree(record.payload), self.scrubber.tree(record.answer)
            look_at = self.scrubber.text(record.look_at)
            if (payload, answer, look_at) != (record.payload, record.answer, record.look_at):
                type(record).objects.filter(pk=record.pk).update(
                    payload=payload, answer=answer, look_at=look_at
                )
                self.anonymizer.records += 1

    def _scrub_old_values(self, calls: Sequence[Model]) -> None:
        """Anonymize old values that contain their names, in the history of all records at their sites."""
        personal_data = self.personal_data
        groups: list[Iterable[Model]] = [
            *(
                calls,
                personal_data.ownerships,
                personal_data.safety_answers,
                personal_data.visits,
                personal_data.inspections,
                personal_data.findings,
                personal_data.works,
            ),
            *(
                personal_data.tasks,
                personal_data.notifications,
                personal_data.answers,
                personal_data.sites,
                personal_data.units,
            ),
        ]
        for rows in groups:
            by_subject = list(rows)
            for start in range(0, len(by_subject), 500):
                self.anonymizer.scrub_history(by_subject[start : start + 500], self.scrubber)

    def _anonymize_notifications(self) -> None:
        notifications = self.personal_data.notifications
        notifications.filter(stage__in=[Notification.Stage.WAITING, Notification.Stage.WITHHELD]).update(
            stage=Notification.Stage.NEEDLESS, why="the customer was erased"
        )
        self.anonymizer.records += notifications.update(title="", body="", sent_to="", payload={}, why="")
        others = Notification.objects.filter(customer=None).exclude(body="", payload={})
        for notification in others.iterator():
            values = {
                "title": self.scrubber.text(notification.title),
                "body": self.scrubber.text(notification.body),
            }
            values["payload"] = self.scrubber.tree(notification.payload)
            if any(value != getattr(notification, name) for name, value in values.items()):
                Notification.objects.filter(pk=notification.pk).update(**values)
                self.anonymizer.records += 1

    def _anonymize_staged(self) -> None:
        """Remove them from what is left in staging of imported files."""
        names = [name.casefold() for name in self.scrubber.names]
        StagedCustomer.objects.filter(key__in=names).delete()
        for row in StagedRow.objects.filter(key__in=[unit.code for unit in self.personal_data.units]):
            facts = self.scrubber.tree(row.facts)
            if facts != row.facts:
                StagedRow.objects.filter(pk=row.pk).update(facts=facts)
                self.anonymizer.records += 1
        for text in self.scrubber.names | self.scrubber.contacts:
            self.anonymizer.records += StagedProblem.objects.filter(value__iexact=text).update(value=MARK)

    def _anonymize_places(self, sites: Sequence[Site]) -> None:
        """Remove the addresses of sites; for the figures, the location stays known to about a kilometer."""
        for site in sites:
            near = {
                name: None if value is None else value.quantize(ABOUT_A_KILOMETER)
                for name, value in (("latitude", site.latitude), ("longitude", site.longitude))
            }
            self.anonymizer.empty([site], address="", access_notes="", **near)
        self.anonymizer.anonymize_history(
            sites, fields=shown_as(sites, "address", "access_notes", "latitude", "longitude", "postcode")
        )
        for visit in self.personal_data.visits.filter(site__in=sites).exclude(place=""):
            self.anonymizer.empty([visit], place="")
            self.anonymizer.anonymize_history([visit], fields=shown_as([visit], "place"))
