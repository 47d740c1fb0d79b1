"""The ways to a place on a map, and telephone numbers as links dial them."""

from __future__ import annotations

from decimal import Decimal

import pytest
from django.template import Context, Template
from django.test import Client
from django.utils import timezone
from pytest_django import Settings

from servicedesk.accounts.models import User
from tests.factories import CustomerFactory, OwnershipFactory, SiteFactory, VisitFactory

HERE = {"lat": Decimal("40.712800"), "lon": Decimal("-74.006")}


def shown(**place: Decimal | None) -> str:
    """Show the links to a place."""
    return Template("{% map_links lat lon %}").render(Context(place))


def test_a_page_the_phones_own_map_and_the_figures() -> None:
    links = shown(**HERE)
    page = "https://www.openstreetmap.org/?mlat=40.712800&amp;mlon=-74.006000#map=18/40.712800/-74.006000"
    assert f'href="{page}"' in links
    assert 'href="geo:40.712800,-74.006000?q=40.712800,-74.006000"' in links
    assert ">40.712800, -74.006000<" in links


def test_another_map_can_be_set(settings: Settings) -> None:
    settings.MAP_LINK = "https://maps.example/{lat}/{lon}"
    assert 'href="https://maps.example/40.712800/-74.006000"' in shown(**HERE)


def test_a_place_nobody_measured_has_no_links() -> None:
    assert shown(lat=None, lon=None).strip() == ""


@pytest.mark.django_db
def test_the_visits_page_and_the_round_name_the_customer_and_a_phone_to_tap(
    as_technician: Client, technician: User
) -> None:
    site = SiteFactory(latitude=HERE["lat"], longitude=HERE["lon"])
    OwnershipFactory(site=site, customer=CustomerFactory(name="Vesta Probeson", phone="555 0142"))
    visit = VisitFactory(site=site, starts_at=timezone.now())
    visit.technicians.add(technician)
    day = visit.local_start.date()
    for address in (f"/visits/{visit.pk}/", f"/routes/{technician.pk}/{day}/", f"/field/stops/{visit.pk}/"):
        page = as_technician.get(address).content.decode()
        assert "Vesta Probeson" in page
        assert 'href="tel:5550142"' in page
        assert "openstreetmap.org/?mlat=40.712800" in page
