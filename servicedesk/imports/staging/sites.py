"""Sites and owners from all rows of a file together, checked against the register."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable
from datetime import date
from typing import Any

from servicedesk.core.models import Batch
from servicedesk.imports.files.names import Names
from servicedesk.imports.files.reading import Fault, Row, shown
from servicedesk.imports.files.units_file import (
    SITE_COLUMNS,
    Facts,
    first_day,
    same,
    shown_fact,
    stored_number,
)
from servicedesk.imports.models import StagedCustomer, StagedSite
from units.models import Ownership, Site


def customer_key(name: str) -> str:
    """Normalized name of a customer within a batch: case and spaces do not count."""
    return " ".join(name.split()).casefold()


class SiteBook:
    """Sites of one chunk of rows: from the register, and from the rows so far."""

    def __init__(self, batch: Batch, codes: Iterable[str], names: Names) -> None:
        wanted = list(set(codes))
        self.batch, self.names = batch, names
        self._known = {site.code: _facts_of(site) for site in Site.objects.filter(code__in=wanted)}
        self._owners: defaultdict[str, list[str]] = defaultdict(list)
        for code, name in Ownership.objects.filter(site__code__in=wanted).values_list(
            "site__code", "customer__name"
        ):
            self._owners[code].append(name)
        staged = StagedSite.objects.filter(batch=batch, code__in=wanted)
        self._staged = {site.code: site for site in staged}
        self._changed: dict[str, StagedSite] = {}

    def put(self, row: Row, facts: Facts) -> None:
        """Add what a row says about its site; what contradicts an earlier row becomes a fault of the row."""
        code = facts.get("site")
        if code is None:
            return
        site = self._staged.setdefault(code, StagedSite(batch=self.batch, code=code))
        for column in SITE_COLUMNS:
            if column in facts:
                self._put_one(row, site, column, facts[column])
        if code in self._known and self._owners.get(code):
            return
        text = first_day(facts)
        day = date.fromisoformat(text) if text else None
        if day is not None and (site.first_on is None or day < site.first_on):
            site.first_on = day
            self._changed[code] = site
        if site.pk is None:
            self._changed[code] = site

    def _put_one(self, row: Row, site: StagedSite, column: str, value: Any) -> None:
        existing = self._known.get(site.code)
        if column == "customer":
            owners = self._owners.get(site.code, [])
            if owners:
                self._check_owner(row, site, value, owners)
                return
        elif existing is not None:
            if not same(value, existing.get(column)):
                text = shown_fact(column, existing.get(column), self.names)
                self._contradict(
                    row,
                    column,
                    f"The records say {text} for site {site.code}. Correct the cell or leave it empty, "
                    "or change the site on its page first.",
                )
            return
        first = site.facts.setdefault(column, [value, row.line])
        if not same(value, first[0]):
            text = shown_fact(column, first[0], self.names)
            self._contradict(
                row,
                column,
                f"Line {first[1]} says {text} for the same site {site.code}, and this is line {row.line}. "
                "Make the two rows say the same, or give them different sites.",
            )
        elif first[1] == row.line:
            self._changed[site.code] = site

    def _check_owner(self, row: Row, site: StagedSite, name: str, owners: list[str]) -> None:
        if customer_key(name) not in map(customer_key, owners):
            self._contradict(
                row,
                "customer",
                f"The records say “{shown(owners[-1])}” owns site {site.code}. Correct the cell or leave "
                "it empty, or note the change of owner on the site's page first.",
            )

    def _contradict(self, row: Row, column: str, reason: str) -> None:
        row.faults.append(Fault(column, shown(row.cells.get(column, "")), reason))

    def save(self) -> None:
        """Write what was added; customers keep the spelling the file used first."""
        named = {
            customer_key(site.facts["customer"][0]): site.facts["customer"][0]
            for site in reversed(self._changed.values())
            if "customer" in site.facts
        }
        StagedCustomer.objects.bulk_create(
            [StagedCustomer(batch=self.batch, key=key, name=name) for key, name in named.items()],
            ignore_conflicts=True,
        )
        StagedSite.objects.bulk_create(
            self._changed.values(),
            update_conflicts=True,
            unique_fields=["batch", "code"],
            update_fields=["facts", "first_on"],
        )


def _facts_of(site: Site) -> Facts:
    """Site of the register in the form in which rows are compared."""
    facts: Facts = {"address": site.address, "postcode": site.postcode}
    if site.latitude is not None and site.longitude is not None:
        facts |= {"latitude": stored_number(site.latitude), "longitude": stored_number(site.longitude)}
    if site.year_built is not None:
        facts["year_built"] = site.year_built
    return facts
