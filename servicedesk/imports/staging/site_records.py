"""Sites that units are written to: those of the register, and new ones from the rows."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date

from servicedesk.core.models import Batch
from servicedesk.imports.files.units_file import Facts
from servicedesk.imports.models import StagedCustomer, StagedSite
from servicedesk.imports.staging.sites import customer_key
from units.models import Customer, Ownership, Site


@dataclass
class CustomerRecord:
    """Customer, with the key once it is written."""

    name: str
    key: int | None = None
    is_claimed: bool = False


@dataclass
class SiteRecord:
    """Site with what must be written before its first unit."""

    code: str
    key: int | None
    facts: Facts = field(default_factory=dict)
    owner: CustomerRecord | None = None
    owned_from: date | None = None
    is_claimed: bool = False

    def claim_new_records(self) -> int:
        """Count the records that the first unit of the site brings along; a later one brings none."""
        if self.is_claimed:
            return 0
        self.is_claimed = True
        count = int(self.key is None)
        if self.owner is not None:
            count += 1 + int(self.owner.key is None and not self.owner.is_claimed)
            self.owner.is_claimed = True
        return count


class SiteRecords:
    """Sites of a page of rows; those of the page before are taken over, whether stored yet or not."""

    def __init__(self, batch: Batch, codes: set[str], *, before: SiteRecords | None = None) -> None:
        self._keys = dict(Site.objects.filter(code__in=codes).values_list("code", "pk"))
        owned = Ownership.objects.filter(site__code__in=codes).values_list("site__code", flat=True)
        self._owned = set(owned)
        self._staged = {row.code: row for row in StagedSite.objects.filter(batch=batch, code__in=codes)}
        customer_names = [
            row.facts["customer"][0] for row in self._staged.values() if "customer" in row.facts
        ]
        keys = [customer_key(name) for name in customer_names]
        names = dict(StagedCustomer.objects.filter(batch=batch, key__in=keys).values_list("key", "name"))
        named = Customer.objects.filter(name__in=list(names.values())).values_list("name", "pk", "batch_id")
        by_name = {name: pk for name, pk, made_by in named.order_by("-pk") if made_by == batch.pk}
        self._customers = {key: CustomerRecord(name, by_name.get(name)) for key, name in names.items()}
        self._records: dict[str, SiteRecord] = {}
        if before is not None:
            self._customers |= {key: before._customers[key] for key in names.keys() & before._customers}
            self._records |= {code: before._records[code] for code in codes & before._records.keys()}

    def record(self, code: str) -> SiteRecord:
        """Site of the page by code."""
        if code not in self._records:
            self._records[code] = self._make(code)
        return self._records[code]

    def _make(self, code: str) -> SiteRecord:
        record, staged = SiteRecord(code, self._keys.get(code)), self._staged.get(code)
        if staged is None:
            return record
        record.facts = {column: value for column, (value, _) in staged.facts.items()}
        if "customer" in record.facts and code not in self._owned and staged.first_on is not None:
            record.owner = self._customers[customer_key(record.facts["customer"])]
            record.owned_from = staged.first_on
        return record
