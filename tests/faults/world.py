"""The small company that is put under faults: people, sites, units, and who works on which."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date

from django.core.management import call_command
from django.utils import timezone

from servicedesk.accounts.models import Role, User
from servicedesk.accounts.operations import add_person
from servicedesk.calls.forms.findings import modes_for
from tests.faults.deeds import Plot
from tests.faults.person import PASSWORD
from units.models import Construction, Customer, Site, Unit
from units.operations import Extras, add_record, add_site, add_unit

DOERS = 3
SITES_EACH = 3
INSTALLED = date(2019, 5, 6)


def build() -> None:
    """Make the company, in an empty database that has its reference data."""
    call_command("load_reference", verbosity=0)
    at = timezone.now()
    for number in range(DOERS):
        add_person(
            f"doer{number}", name=f"Doer {number}", role=Role.SCHEDULER, password=PASSWORD, by=None, at=at
        )
        add_person(
            f"goer{number}", name=f"Goer {number}", role=Role.TECHNICIAN, password=PASSWORD, by=None, at=at
        )
    add_person("shared", name="Shared Goer", role=Role.TECHNICIAN, password=PASSWORD, by=None, at=at)
    owner = User.objects.get(username="doer0")
    built = list(Construction.objects.offered().order_by("code"))
    for number in range(DOERS * SITES_EACH):
        customer = add_record(Customer(name=f"Customer Probeson {number}"), by=owner, at=at)
        site = add_site(
            Site(code=f"F{number}", address=f"{number} Testing Lane", care_by="us"),
            customer=customer,
            owned_from=INSTALLED,
            by=owner,
            at=at,
        )
        add_unit(
            Unit(
                site=site,
                code=f"FU{number}",
                panels=3,
                construction=built[number % len(built)],
                installed_on=INSTALLED,
            ),
            extras=Extras(),
            observed_from=INSTALLED,
            age_known=True,
            by=owner,
            at=at,
        )


def plots() -> list[Plot]:
    """Say what each person works on."""
    sites = list(Site.objects.filter(code__startswith="F").order_by("pk"))
    return [_plot(number, sites[number::DOERS]) for number in range(DOERS)]


def _plot(number: int, sites: Sequence[Site]) -> Plot:
    units = list(Unit.objects.filter(code__startswith="FU", site__in=sites).order_by("pk"))
    parts = [unit.installed_parts.in_place().filter(panel=0).order_by("pk")[0] for unit in units]
    return Plot(
        sites=[site.pk for site in sites],
        customers=[site.ownerships.get().customer_id for site in sites],
        units=[unit.pk for unit in units],
        modes=[modes_for(unit)[0].pk for unit in units],
        installed_parts=[part.pk for part in parts],
        types=[part.component_type_id for part in parts],
        technician=User.objects.get(username=f"goer{number}").pk,
        construction=Construction.objects.offered().order_by("code")[0].pk,
    )
