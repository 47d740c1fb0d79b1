"""What belongs to one person or customer is out of reach of another's, also for those who know its number."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core import signing
from django.test import Client
from django.utils import timezone

from schedules import operations
from schedules.models import CalendarLink, CustomerAnswer, EmailPreference, Visit
from schedules.notifications.links import OPT_OUT_SALT, VISIT_SALT, VisitKey, opt_out_token, visit_token
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import PhoneRecord, Photo
from servicedesk.core.models import Change
from tests.factories import CallFactory, OwnershipFactory, UnitFactory, VisitFactory
from tests.servicedesk.calls.test_photos import photo
from units.models import Ownership

pytestmark = pytest.mark.django_db


@pytest.fixture
def other(user_with: Callable[[Role], User]) -> User:
    """Another technician."""
    return user_with(Role.TECHNICIAN)


@pytest.fixture
def owned() -> list[tuple[Visit, Ownership]]:
    """Two visits to come, each to a site of its own customer."""
    start = timezone.now() + timedelta(days=1)
    ownerships = [OwnershipFactory() for _ in range(2)]
    return [
        (VisitFactory(site=each.site, starts_at=start, ends_at=start + timedelta(hours=1)), each)
        for each in ownerships
    ]


def test_a_calendar_of_another_technician(as_technician: Client, other: User) -> None:
    link, secret = operations.make_link(other, by=other, at=timezone.now())
    assert as_technician.post(f"/calendars/{link.pk}/replace/").status_code == 403
    assert as_technician.post(f"/calendars/{link.pk}/revoke/").status_code == 403
    for whose in (str(other.pk), "team"):
        assert as_technician.post("/calendars/make/", {"whose": whose}).status_code == 403
        assert as_technician.get("/visits/export.ics", {"who": whose}).status_code == 403
    page = as_technician.get("/calendars/").content.decode()
    assert other.name not in page
    assert secret not in page
    assert CalendarLink.objects.in_force().get() == link


def test_the_round_and_the_stops_of_another_technician(as_technician: Client, other: User) -> None:
    today = timezone.localdate()
    assert as_technician.get(f"/routes/{other.pk}/{today}/").status_code == 403
    assert as_technician.post(f"/routes/{other.pk}/{today}/confirm/").status_code == 403
    mine = VisitFactory(starts_at=timezone.now(), ends_at=timezone.now() + timedelta(hours=1))
    mine.technicians.add(other)
    assert mine.site.address not in as_technician.get("/field/").content.decode()


def test_records_and_photos_of_another_technicians_phone(
    as_technician: Client, technician: User, other: User
) -> None:
    unit, theirs = UnitFactory(), Client()
    theirs.force_login(other)
    payload = {
        "key": str(uuid4()),
        "kind": "fine",
        "made_at": timezone.now().isoformat(),
        "body": {"unit": unit.pk},
    }

    def send(client: Client) -> int:
        return client.post("/field/inbox/", json.dumps(payload), content_type="application/json").status_code

    assert send(theirs) == 200
    assert send(as_technician) == 422
    record = PhoneRecord.objects.get()
    assert record.by == other
    answer = as_technician.post(
        "/field/photos/", {"key": str(uuid4()), "record": payload["key"], "photo": photo()}
    )
    assert answer.status_code == 409  # as if the record had not come: no word of whose it is
    assert not Photo.objects.exists()
    assert as_technician.post(f"/phone-records/{record.pk}/seen/").status_code == 403


def test_a_photo_takes_signing_in(client: Client, as_scheduler: Client) -> None:
    call = CallFactory()
    as_scheduler.post(f"/calls/{call.pk}/photos/add/", {"idempotency_key": uuid4(), "photo": photo()})
    stored_photo = Photo.objects.get()
    assert client.get(f"/calls/photos/{stored_photo.pk}/").status_code == 302
    shown = as_scheduler.get(f"/calls/photos/{stored_photo.pk}/")
    assert "default-src 'none'" in shown["Content-Security-Policy"]
    assert shown["X-Content-Type-Options"] == "nosniff"


def test_the_link_of_one_visit_opens_that_visit_only(
    client: Client, owned: list[tuple[Visit, Ownership]]
) -> None:
    (mine, my), (theirs, their) = owned
    page = client.get(f"/your-visit/{visit_token(VisitKey(mine.pk, my.customer_id))}/").content.decode()
    assert my.site.address in page
    for secret in (their.site.address, their.customer.name):
        assert secret not in page
    for visit, customer in ((theirs.pk, my.customer_id), (mine.pk, their.customer_id), (0, 0), (2**63, 1)):
        address = f"/your-visit/{visit_token(VisitKey(visit, customer))}/"
        assert client.get(address).status_code == 404
        assert client.post(address, {"what": "suits"}).status_code == 404
    assert not CustomerAnswer.objects.exists()


def test_a_token_made_for_one_thing_opens_no_other(
    client: Client, owned: list[tuple[Visit, Ownership]]
) -> None:
    (visit, ownership), _ = owned
    whole = visit_token(VisitKey(visit.pk, ownership.customer_id))
    out = opt_out_token(ownership.customer_id)
    wrong = [
        f"/your-visit/{out}/",
        f"/your-mail/{whole}/",
        f"/your-visit/{signing.dumps([visit.pk, ownership.customer_id], salt=OPT_OUT_SALT)}/",
        f"/your-visit/{signing.dumps([visit.pk, ownership.customer_id], key='another', salt=VISIT_SALT)}/",
        f"/your-visit/{signing.dumps({'visit': visit.pk}, salt=VISIT_SALT)}/",
        f"/your-visit/{signing.dumps([visit.pk, 'x'], salt=VISIT_SALT)}/",
        f"/your-visit/{signing.dumps([1e999, 1], salt=VISIT_SALT)}/",
        f"/your-visit/{whole[:-1]}{'a' if whole[-1] != 'a' else 'b'}/",
        f"/your-mail/{out[:-1]}{'a' if out[-1] != 'a' else 'b'}/",
        f"/your-mail/{ownership.customer_id}/",
        f"/your-mail/{signing.Signer(salt=OPT_OUT_SALT).sign('9' * 40).replace(':', '~')}/",
        f"/calendar/{whole.replace(':', '-')}.ics",
        f"/your-visit/{'x' * 3000}/",
    ]
    for address in wrong:
        assert client.get(address).status_code == 404, address
        assert client.post(address, {"what": "nothing"}).status_code in {404, 405}, address
    assert not EmailPreference.objects.exists()
    assert not Change.objects.about(visit).exists()


def test_customers_do_not_become_people_of_the_desk(
    client: Client, owned: list[tuple[Visit, Ownership]]
) -> None:
    (visit, ownership), _ = owned
    client.get(f"/your-visit/{visit_token(VisitKey(visit.pk, ownership.customer_id))}/")
    for address in (
        f"/visits/{visit.pk}/",
        f"/sites/{visit.site_id}/",
        f"/customers/{ownership.customer_id}/",
    ):
        assert client.get(address).status_code == 302


def test_one_owner_of_an_account_changes_no_other(
    as_scheduler: Client, as_technician: Client, other: User
) -> None:
    for client in (as_scheduler, as_technician):
        assert client.post(f"/people/{other.pk}/password/", {"password": "a long new one"}).status_code == 403
        assert client.post(f"/people/{other.pk}/", {"name": "x", "role": "owner"}).status_code == 403
