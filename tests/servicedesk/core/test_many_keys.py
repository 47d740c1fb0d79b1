"""Targets of more foreign keys than SQLite takes in one chain of conditions (1,000) are read at once."""

from __future__ import annotations

import pytest

from tests.factories import SiteFactory
from units.models import Customer, Ownership, Site

MANY = 1_500


@pytest.mark.django_db
def test_more_keys_than_a_chain_of_conditions_holds() -> None:
    customers = Customer.objects.bulk_create(Customer(name=f"Probeson {number}") for number in range(MANY))
    sites = Site.objects.bulk_create(SiteFactory.build(code=f"many-{number}") for number in range(MANY))
    Ownership.objects.bulk_create(
        Ownership(site=site, customer=customer, from_on="2020-01-01")
        for site, customer in zip(sites, customers, strict=True)
    )
    ownerships = Ownership.objects.prefetch_related("customer", "site").order_by("pk")
    assert [row.customer.name for row in ownerships] == [customer.name for customer in customers]
    assert len({row.site.code for row in ownerships}) == MANY
