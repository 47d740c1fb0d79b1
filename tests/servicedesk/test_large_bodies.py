"""A gigabyte for every address, and pictures made to fill memory, sent to a real server over a socket.

Memory is the worker's greatest resident set (VmHWM of Linux's /proc) above what it held before.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator
from datetime import timedelta
from io import BytesIO
from uuid import uuid4

import pytest
from django.test import Client
from django.utils import timezone
from PIL import Image

from schedules.notifications.links import VisitKey, visit_token
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Photo
from servicedesk.core.models import Batch
from tests.factories import CallFactory, OwnershipFactory, VisitFactory
from tests.servicedesk.calls.test_photo_bytes import claiming_jpeg, claiming_png
from tests.servicedesk.real_server import BLOCK, MB, Server, endless, serving

pytestmark = [pytest.mark.django_db(transaction=True), pytest.mark.long]

GB = 1024 * MB
MOST_GROWN = 60 * MB
TOKEN = "t" * 32
JSON = "application/json"
FORM = "application/x-www-form-urlencoded"
PARTS = "multipart/form-data; boundary=cut"


@pytest.fixture(scope="module")
def one_server(django_db_setup: None, tmp_path_factory: pytest.TempPathFactory) -> Iterator[Server]:
    """A server that takes imports of up to 100 MB."""
    with serving(tmp_path_factory.mktemp("server"), IMPORT_MAX_MB="100") as running:
        yield running


@pytest.fixture
def server(one_server: Server) -> Iterator[Server]:
    """The server, looked at after each test."""
    yield one_server
    assert one_server.bytes_left() == 0, "a temporary file is left"


@pytest.fixture
def session(owner: User) -> str:
    """The session of a signed-in owner, as a cookie carries it."""
    client = Client()
    client.force_login(owner)
    return client.cookies["sessionid"].value


def head(path: str, kind: str, *, session: str = "", **more: object) -> str:
    """Write the head of a POST with a token that holds."""
    rows = {
        "Host": "127.0.0.1",
        "Cookie": f"csrftoken={TOKEN}; sessionid={session}",
        "X-CSRFToken": TOKEN,
        "Content-Type": kind,
        **{name.replace("_", "-"): value for name, value in more.items()},
    }
    return (
        f"POST {path} HTTP/1.1\r\n" + "".join(f"{name}: {value}\r\n" for name, value in rows.items()) + "\r\n"
    )


def part(name: str, file: str = "") -> bytes:
    """Write what stands before the contents of one field."""
    given = f'; filename="{file}"\r\nContent-Type: image/jpeg' if file else ""
    return f'\r\n--cut\r\nContent-Disposition: form-data; name="{name}"{given}\r\n\r\n'.encode()


def with_file(name: str, size: int, **fields: str) -> tuple[int, Iterator[bytes]]:
    """Write a form with a large file; answer its length and its pieces."""
    start = b"".join(part(field) + value.encode() for field, value in fields.items()) + part(name, "a.jpg")
    end = b"\r\n--cut--\r\n"

    def pieces() -> Iterator[bytes]:
        yield start
        yield from endless(size)
        yield end

    return len(start) + size + len(end), pieces()


@pytest.fixture
def addresses() -> dict[str, str]:
    """Addresses that take files, and some that take none, with the type of body sent there."""
    ownership = OwnershipFactory()
    start = timezone.now() + timedelta(days=1)
    visit = VisitFactory(site=ownership.site, starts_at=start, ends_at=start + timedelta(hours=1))
    link = visit_token(VisitKey(visit.pk, ownership.customer_id))
    return {
        f"/calls/{CallFactory().pk}/photos/add/": PARTS,
        f"/your-visit/{link}/": PARTS,
        "/field/photos/": PARTS,
        "/imports/new/": PARTS,
        "/field/inbox/": JSON,
        "/sign-in/": FORM,
        "/me/": PARTS,
        "/customers/add/": FORM,
    }


def test_a_gigabyte_is_refused_unread_at_every_address(
    server: Server, session: str, addresses: dict[str, str]
) -> None:
    for path, kind in addresses.items():
        for who in (session, ""):
            length, pieces = with_file("photo", GB)
            response = server.send(head(path, kind, session=who, Content_Length=length), pieces)
            assert (response.status, response.on_disk) == (413, 0), (path, response)
            assert "MB are the most that is taken here" in response.words
            assert response.grown < MOST_GROWN, (path, response)
            assert response.sent < GB // 4, (path, response)


def test_a_length_that_is_not_told_or_lies_changes_nothing(server: Server, session: str) -> None:
    def chunks() -> Iterator[bytes]:
        for block in endless(GB):
            yield f"{len(block):x}\r\n".encode() + block + b"\r\n"

    for path, kind in (
        ("/imports/new/", PARTS),
        ("/field/inbox/", JSON),
        ("/sign-in/", FORM),
    ):
        unknown = server.send(head(path, kind, session=session, Transfer_Encoding="chunked"), chunks())
        assert (unknown.status, unknown.on_disk) == (411, 0)
        more = server.send(head(path, kind, session=session, Content_Length=100), endless(GB))
        assert 200 <= more.status < 500
        less = server.send(
            head(path, kind, session=session, Content_Length=4 * MB), endless(MB), stop_writing=True
        )
        assert less.status < 500
        assert max(unknown.grown, more.grown, less.grown) < MOST_GROWN
        negative = server.send(head(path, kind, session=session, Content_Length=-1), endless(MB))
        assert negative.status == 400
    assert not Batch.objects.exists()


def test_strangers_may_not_fill_the_disk(server: Server, session: str, addresses: dict[str, str]) -> None:
    length, _ = with_file("units", 80 * MB)
    for path in addresses:
        response = server.send(head(path, PARTS, Content_Length=length), with_file("units", 80 * MB)[1])
        assert (response.status, response.on_disk) == (413, 0)
    forged = server.send(head("/your-visit/x/", PARTS, Content_Length=length), endless(length))
    assert (forged.status, forged.on_disk) == (413, 0)


def test_files_within_the_limit_are_taken_through_little_memory(
    server: Server, session: str, addresses: dict[str, str]
) -> None:
    photo = next(path for path in addresses if "/photos/add/" in path)
    length, pieces = with_file("photo", 24 * MB, idempotency_key=str(uuid4()))
    response = server.send(head(photo, PARTS, session=session, Content_Length=length), pieces)
    assert (response.status, "no photo we can read" in response.words) == (422, True)
    assert response.grown < MOST_GROWN
    length, pieces = with_file("units", 90 * MB, idempotency_key=str(uuid4()), care_by="us", check_only="on")
    response = server.send(head("/imports/new/", PARTS, session=session, Content_Length=length), pieces)
    assert response.status == 302
    assert response.on_disk > 50 * MB  # it went through a file
    assert response.grown < MOST_GROWN
    assert Batch.objects.get().files.get().size == 90 * MB


def test_what_is_packed_is_not_unpacked(server: Server, session: str) -> None:
    packer = zlib.compressobj(9, zlib.DEFLATED, 31)
    bomb = b"".join(packer.compress(BLOCK) for _ in range(GB // 4 // len(BLOCK))) + packer.flush()
    sent = head(
        "/field/inbox/",
        "application/json",
        session=session,
        Content_Length=len(bomb),
        Content_Encoding="gzip",
    )
    response = server.send(sent, iter([bomb]))
    assert (response.status, response.grown < MOST_GROWN) == (415, True)


def test_pictures_made_to_fill_memory(
    server: Server, session: str, addresses: dict[str, str], user_with: Callable[[Role], User]
) -> None:
    path = next(path for path in addresses if "/photos/add/" in path)

    def send(content: bytes) -> tuple[int, int]:
        body = (
            part("idempotency_key")
            + str(uuid4()).encode()
            + part("photo", "p.jpg")
            + content
            + b"\r\n--cut--\r\n"
        )
        response = server.send(head(path, PARTS, session=session, Content_Length=len(body)), iter([body]))
        return response.status, response.grown

    for bomb in (claiming_png(60_000, 60_000), claiming_jpeg(60_000, 60_000), claiming_png(4_001, 4_000)):
        status, grown = send(bomb)
        assert (status, grown < MOST_GROWN) == (422, True)
    assert not Photo.objects.exists()
    largest = {"JPEG": (7_740, 7_740), "PNG": (4_000, 4_000), "WEBP": (4_000, 4_000)}
    for kind, size in largest.items():
        out = BytesIO()
        Image.new("RGB", size).save(out, kind)
        status, grown = send(out.getvalue())
        assert status == 302
        assert grown < 320 * MB, (kind, grown)
    assert Photo.objects.count() == 3
