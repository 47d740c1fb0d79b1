"""The demo company, loaded once into a database of its own for all tests that ask for it."""

from __future__ import annotations

import shutil
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from io import BytesIO
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import transaction
from django.test import override_settings
from django.utils import timezone
from PIL import Image

from schedules.notifications.queue import write_due_notifications
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call
from servicedesk.calls.operations import add_photo
from servicedesk.imports import operations
from servicedesk.imports.models import InputFile
from tests.databases import connected_to, drop_database, make_database
from tests.every_address import ALL, address_of, shown_records
from tests.tables import make_tables


@dataclass(frozen=True)
class Company:
    """The demo company in a database of its own: its full name, and the files that belong to its records."""

    database: str
    photos: Path
    incoming: Path

    @contextmanager
    def made(self) -> Iterator[None]:
        """Lead the suite to the company for the length of a with block, to load it."""
        folders = override_settings(PHOTO_DIR=self.photos, INCOMING_DIR=self.incoming)
        with connected_to(self.database), folders:
            yield

    @contextmanager
    def opened(self, database: str = "") -> Iterator[None]:
        """Lead the suite to the company or a copy of its database, and to copies of its files, for a block.

        What is done to files can't be rolled back.
        """
        with tempfile.TemporaryDirectory(prefix="sashkeep-demo-") as name:
            photos, incoming = (
                shutil.copytree(folder, Path(name) / folder.name) for folder in (self.photos, self.incoming)
            )
            folders = override_settings(PHOTO_DIR=photos, INCOMING_DIR=incoming)
            with connected_to(database or self.database), folders:
                yield


@pytest.fixture(scope="session")
def demo_company(
    django_db_setup: None, django_db_blocker: Any, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Company]:
    """The demo company, loaded once for this process."""
    folder = tmp_path_factory.mktemp("demo")
    with django_db_blocker.unblock():
        company = Company(make_database("demo"), folder / "photos", folder / "incoming")
        with company.made():
            make_tables()
            load_company()
            hand_in_a_bad_file()
    yield company
    with django_db_blocker.unblock():
        drop_database(company.database)


@pytest.fixture(scope="module")
def demo(demo_company: Company, django_db_blocker: Any) -> Iterator[dict[str, User]]:
    """Somebody of each role at the demo company; whatever the tests of a file write there is rolled back."""
    with django_db_blocker.unblock(), demo_company.opened(), transaction.atomic():
        people = {}
        for role in Role:
            person = User.objects.with_role(role).order_by("pk").first()
            assert person is not None
            people[role.value] = person
        people["none"] = User.objects.create(username="new", name="New")
        yield people
        transaction.set_rollback(True)


@pytest.fixture(scope="module")
def doors(demo: dict[str, User], django_db_blocker: Any) -> dict[str, str]:
    """An address of the demo company for each name."""
    with django_db_blocker.unblock():
        records = shown_records()
        return {name: address_of(name, records) for name in ALL}


@pytest.fixture
def demo_copy(demo_company: Company, django_db_blocker: Any) -> Iterator[None]:
    """A copy of the demo company to write to for good, as tests with a running server do."""
    with django_db_blocker.unblock():
        copy = make_database("demo_copy", like=demo_company.database)
        with demo_company.opened(copy):
            yield
        drop_database(copy)


def load_company() -> None:
    """Load the demo company as it stands today, with a photo and its letters.

    Not as of a fixed day: the week that it has planned would be over one day. Its files lie where no other
    process writes.
    """
    call_command("load_reference", verbosity=0)
    call_command("load_demo", folder=settings.PHOTO_DIR.parent / "demo-files", verbosity=0)
    call_command("run_surveillance")
    take_a_photo()
    write_due_notifications(at=timezone.now())


def hand_in_a_bad_file() -> None:
    """Bring in a file with a row that can't be applied, so that every page about imports has something."""
    content = BytesIO(b"unit,site,installed_on\nX-1,X,sometime\n")
    files = {InputFile.UNITS: operations.Incoming("units.csv", content)}
    batch = operations.create_batch(files, keep_good=False, care_by="us", by=None, at=timezone.now())
    operations.resume(batch)


def take_a_photo() -> None:
    """Add a photo to an open call."""
    content = BytesIO()
    Image.new("RGB", (60, 40), "tan").save(content, "PNG")
    call = Call.objects.open().order_by("pk")[0]
    add_photo(call, BytesIO(content.getvalue()), size=content.tell(), by=None, at=timezone.now())
