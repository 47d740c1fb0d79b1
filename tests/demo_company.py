"""The demo company, loaded once for all tests of a file that ask for it."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from io import BytesIO
from typing import Any

import pytest
from django.conf import settings
from django.core.management import call_command
from django.db import connection, transaction
from django.utils import timezone
from PIL import Image

from schedules.letters.writing import write_due_letters
from servicedesk.calls.models import Call
from servicedesk.calls.operations import add_photo
from servicedesk.office import intake
from servicedesk.people.models import InputFile, Role, User

TODAY = date(2026, 11, 25)


@pytest.fixture(scope="module")
def demo(django_db_setup: None, django_db_blocker: Any) -> Iterator[dict[str, User]]:
    """The demo company, and somebody of each role."""
    with django_db_blocker.unblock(), transaction.atomic():
        load_company()
        hand_in_a_bad_file()
        connection.check_constraints()  # else every test would check all these rows again at its end
        people = {}
        for role in Role:
            person = User.objects.with_role(role).order_by("pk").first()
            assert person is not None
            people[role.value] = person
        people["none"] = User.objects.create(username="new", name="New")
        yield people
        transaction.set_rollback(True)


def load_company() -> None:
    """Load the demo company, with a photo and its letters; its files lie where no other process writes."""
    call_command("load_reference", verbosity=0)
    call_command("load_demo", today=TODAY, folder=settings.PHOTO_DIR.parent / "demo-files", verbosity=0)
    call_command("watch_lots")
    take_a_photo()
    write_due_letters(at=timezone.now())


def hand_in_a_bad_file() -> None:
    """Bring in a file with a row that can't be applied, so that every page about imports has something."""
    content = BytesIO(b"unit,site,installed_on\nX-1,X,sometime\n")
    files = {InputFile.UNITS: intake.Incoming("units.csv", content)}
    batch = intake.open_batch(files, keep_good=False, care_by="us", by=None, at=timezone.now())
    intake.go_on(batch)


def take_a_photo() -> None:
    """Add a photo to an open call."""
    content = BytesIO()
    Image.new("RGB", (60, 40), "tan").save(content, "PNG")
    call = Call.objects.open().order_by("pk")[0]
    add_photo(call, BytesIO(content.getvalue()), size=content.tell(), by=None, at=timezone.now())
