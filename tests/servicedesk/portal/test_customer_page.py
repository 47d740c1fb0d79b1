"""The page that a customer opens from a letter."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta
from io import BytesIO

import pytest
import time_machine
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from PIL import Image

from schedules import operations
from schedules.models import CustomerAnswer, Visit
from schedules.notifications.links import VisitKey, visit_token
from servicedesk.calls.models import Call, Photo
from servicedesk.calls.photo_files import photo_path
from servicedesk.portal import visit_views as customer_views
from tests.factories import CustomerFactory, OwnershipFactory
from tests.schedules.planned_visits import told
from tests.schedules.weeks_of_work import plan_week, proposals, site_at, technician, work_at
from units.models import Ownership

pytestmark = pytest.mark.django_db

NOW = datetime(2026, 5, 1, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def _friday() -> Iterator[None]:
    with time_machine.travel(NOW, tick=False):
        yield


@pytest.fixture
def visit() -> Visit:
    """A proposed visit to a site that somebody owns."""
    technician(name="Testa Fitter")
    site = site_at(1, access_notes="Key under the frog")
    OwnershipFactory(site=site, customer=CustomerFactory(name="Testa Owner", phone="555-01"))
    work_at(site)
    plan_week(at=NOW)
    return proposals()[0]


def address(visit: Visit) -> str:
    """Give the address of a visit's page."""
    owner = Ownership.objects.get(site=visit.site).customer
    return f"/your-visit/{visit_token(VisitKey(visit.pk, owner.pk))}/"


def photo(kind: str = "JPEG", *, size: tuple[int, int] = (3000, 1500)) -> SimpleUploadedFile:
    """Give a photo that says where it was taken."""
    content = BytesIO()
    image = Image.new("RGB", size, "tan")
    exif = Image.Exif()
    exif[0x010F] = "Maker of cameras"
    exif.get_ifd(0x8825)[1] = "N"
    image.save(content, kind, exif=exif)
    return SimpleUploadedFile("p.jpg", content.getvalue(), "image/jpeg")


def test_it_shows_the_visit_and_nothing_private(client: Client, visit: Visit) -> None:
    answer = client.get(address(visit))
    page = told(answer.content)
    assert f"May we come on {visit.local_start:%A, May %-d}" in page
    for private in ("frog", "555-01", "Testa Fitter", "/visits/"):
        assert private not in page
    assert answer["Referrer-Policy"] == "same-origin"  # "no-referrer" makes browsers post Origin: null
    assert answer["Cache-Control"] == "private, no-store"


def test_it_suits(client: Client, visit: Visit, as_scheduler: Client) -> None:
    answer = client.post(address(visit), {"what": "suits"}, follow=True)
    assert "We have noted that it suits you" in told(answer.content)
    visit.refresh_from_db()
    assert visit.state == Visit.State.CONFIRMED
    client.post(address(visit), {"what": "suits"})
    home = told(as_scheduler.get("/").content)
    assert "Testa Owner: it suits" in home
    for said in CustomerAnswer.objects.all():
        as_scheduler.post(f"/answers/{said.pk}/seen/")
    assert "Testa Owner: it suits" not in told(as_scheduler.get("/").content)


def test_another_time_is_chosen_from_those_offered(client: Client, visit: Visit) -> None:
    offers = customer_views._offers(visit)
    assert 2 <= len(offers) <= 8
    assert len({(offer.day.on, offer.begins.hour < 16) for offer in offers}) == len(offers)
    chosen = offers[-1]
    answer = client.post(address(visit), {"what": "choice", "to": chosen.token}, follow=True)
    assert "The visit is moved to" in told(answer.content)
    visit.refresh_from_db()
    assert (visit.starts_at, visit.state, visit.fixed) == (chosen.begins, "confirmed", True)
    # A confirmed visit too can be moved by the one it is for.
    other = next(offer for offer in customer_views._offers(visit) if offer.begins != visit.starts_at)
    client.post(address(visit), {"what": "choice", "to": other.token})
    visit.refresh_from_db()
    assert visit.starts_at == other.begins


@pytest.mark.parametrize("to", ["", "0/2026-05-04/0", "x", "999999/2026-05-04/0"])
def test_a_time_that_is_not_offered_is_refused(client: Client, visit: Visit, to: str) -> None:
    begins = visit.starts_at
    answer = client.post(address(visit), {"what": "choice", "to": to})
    assert answer.status_code == 422
    visit.refresh_from_db()
    assert visit.starts_at == begins


def test_no_time_suits(client: Client, visit: Visit, as_scheduler: Client) -> None:
    empty = client.post(address(visit), {"what": "words", "words": ""})
    assert "This field is required" in told(empty.content)
    client.post(address(visit), {"what": "words", "words": "Only on Sundays <b>"})
    assert "Only on Sundays &lt;b&gt;" in told(as_scheduler.get("/").content)
    assert Visit.objects.get(pk=visit.pk).state == Visit.State.TENTATIVE


def test_a_problem_becomes_a_call_with_a_photo_that_tells_nothing(
    client: Client, visit: Visit, as_technician: Client
) -> None:
    answer = client.post(
        address(visit), {"what": "problem", "words": "Panel 2 sticks", "photo": photo()}, follow=True
    )
    assert "We have it on our list" in told(answer.content)
    call = Call.objects.get()
    assert (call.site, call.reported_by, call.words) == (visit.site, "Testa Owner", "Panel 2 sticks")
    stored_photo = Photo.objects.get()
    with Image.open(photo_path(stored_photo.name)) as image:
        assert (image.size, dict(image.getexif())) == ((2048, 1024), {})
    shown = as_technician.get(f"/calls/photos/{stored_photo.pk}/")
    assert shown["Content-Type"] == "image/jpeg"
    assert shown["Content-Disposition"] == f'inline; filename="photo-{stored_photo.pk}.jpg"'
    assert "default-src 'none'" in shown["Content-Security-Policy"]
    assert shown.content[:2] == b"\xff\xd8"
    assert client.get(f"/calls/photos/{stored_photo.pk}/").status_code == 302
    photo_path(stored_photo.name).unlink()
    assert as_technician.get(f"/calls/photos/{stored_photo.pk}/").status_code == 404


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"<svg xmlns='http://www.w3.org/2000/svg'/>", "no photo we can read"),
        (b"GIF89a" + b"\x00" * 40, "no photo we can read"),
        (b"\xff\xd8\xff\xe0" + b"\x00" * 40, "no photo we can read"),
        (b"", "empty"),
    ],
)
def test_what_is_no_photo_is_refused_and_nothing_is_kept(
    client: Client, visit: Visit, content: bytes, words: str
) -> None:
    file = SimpleUploadedFile("p.jpg", content, "image/jpeg")
    answer = client.post(address(visit), {"what": "problem", "words": "It sticks", "photo": file})
    assert answer.status_code == 422
    assert words in told(answer.content)
    assert "It sticks" in told(answer.content)
    assert not Call.objects.exists()


def test_a_picture_of_too_many_pixels_is_refused_before_it_is_decoded(client: Client, visit: Visit) -> None:
    content = BytesIO()
    Image.new("1", (20_000, 20_000)).save(content, "PNG")
    file = SimpleUploadedFile("bomb.png", content.getvalue(), "image/png")
    answer = client.post(address(visit), {"what": "problem", "words": "It sticks", "photo": file})
    assert "more than 60 million pixels" in told(answer.content)
    assert not Call.objects.exists()


def test_a_link_opens_its_own_visit_for_the_owner_of_today_only(client: Client, visit: Visit) -> None:
    mine = address(visit)
    assert client.get(mine[:-3] + "xx/").status_code == 404
    stranger = visit_token(VisitKey(visit.pk, CustomerFactory().pk))
    assert client.get(f"/your-visit/{stranger}/").status_code == 404
    assert client.get(f"/your-visit/{visit_token(VisitKey(999_999, 1))}/").status_code == 404
    Ownership.objects.filter(site=visit.site).update(until_on=date(2026, 4, 30))
    OwnershipFactory(site=visit.site, from_on=date(2026, 4, 30))
    assert client.get(mine).status_code == 404


def test_a_link_runs_out(client: Client, visit: Visit) -> None:
    mine = address(visit)
    with time_machine.travel(visit.ends_at + timedelta(days=6), tick=False):
        assert client.get(mine).status_code == 200
    with time_machine.travel(visit.ends_at + timedelta(days=8), tick=False):
        assert client.get(mine).status_code == 404


def test_a_cancelled_visit_can_not_be_confirmed(client: Client, visit: Visit) -> None:
    mine = address(visit)
    operations.cancel_visit(visit, why="storm", by=None, at=NOW)
    assert "is called off" in told(client.get(mine).content)
    answer = client.post(mine, {"what": "suits"})
    assert answer.status_code == 422
    assert Visit.objects.get(pk=visit.pk).state == Visit.State.CANCELLED


def test_it_can_not_be_sent_without_end(
    client: Client, visit: Visit, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(customer_views, "MOST_SENT", 3)
    for _ in range(3):
        assert client.post(address(visit), {"what": "words", "words": "x"}).status_code == 302
    refused = client.post(address(visit), {"what": "words", "words": "x"})
    assert "very often" in told(refused.content)
    monkeypatch.setattr(customer_views, "MOST_KNOCKS", 3)
    assert client.get(address(visit)).status_code == 429
