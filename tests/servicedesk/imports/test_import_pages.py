"""Bringing files in through the pages: a trial run, bad rows with their reasons, letting in, undoing."""

from __future__ import annotations

import csv
import io
import uuid

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.core.management import call_command
from django.http import StreamingHttpResponse
from django.test import Client

from servicedesk.core.models import Batch, Change
from units.models import Site, Unit

pytestmark = pytest.mark.django_db(transaction=True)

GOOD = "unit,site,installed_on,width,address\nU-1,S-1,2019-04-02,35 7/8,3 Heron Way\n"
MIXED = GOOD + "U-2,S-1,2019-04-02,7/0,\nU-3,S-1,sometime,46,\n"


def import_files(client: Client, units: str, **fields: str) -> Batch:
    """Post the form of an import and give the import."""
    entries = {
        "idempotency_key": str(uuid.uuid4()),
        "care_by": "us",
        "units": SimpleUploadedFile("units.csv", units.encode()),
        **fields,
    }
    answer = client.post("/imports/new/", entries)
    assert answer.status_code == 302, answer.content.decode()
    return Batch.objects.latest("pk")


def page_of(client: Client, batch: Batch) -> str:
    return client.get(batch.get_absolute_url()).content.decode()


def test_good_files_end_in_the_register(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, GOOD)
    assert "The units are saved." in page_of(as_scheduler, batch)
    assert Unit.objects.get().site.care_by == Site.CareBy.US
    assert "units.csv" in as_scheduler.get("/imports/").content.decode()


def test_a_trial_run_changes_nothing_until_it_is_let_in(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, GOOD, check_only="on")
    page = page_of(as_scheduler, batch)
    assert "Every row can be applied. Nothing has changed yet." in page
    assert not Unit.objects.exists()
    as_scheduler.post(f"/imports/{batch.pk}/approve/")
    assert Unit.objects.count() == 1


def test_bad_cells_are_named_and_can_be_downloaded(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, MIXED)
    page = page_of(as_scheduler, batch)
    assert not Unit.objects.exists()
    assert "7/0" in page
    assert "sometime" in page
    answer = as_scheduler.get(f"/imports/{batch.pk}/problems.csv")
    assert isinstance(answer, StreamingHttpResponse)
    problems = list(csv.DictReader(io.StringIO(answer.getvalue().decode())))
    assert [(row["file"], row["line"], row["column"], row["value"]) for row in problems] == [
        ("units.csv", "3", "width", "7/0"),
        ("units.csv", "4", "installed_on", "sometime"),
    ]
    answer = as_scheduler.get(f"/imports/{batch.pk}/units-bad.csv")
    assert isinstance(answer, StreamingHttpResponse)
    rows = list(csv.DictReader(io.StringIO(answer.getvalue().decode())))
    assert [row["unit"] for row in rows] == ["U-2", "U-3"]
    assert all(row["reason"] for row in rows)
    assert as_scheduler.get(f"/imports/{batch.pk}/history-bad.csv").status_code == 404


def test_the_good_rows_are_let_in_and_the_mended_ones_follow(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, MIXED)
    as_scheduler.post(f"/imports/{batch.pk}/approve/")
    assert Unit.objects.count() == 1
    mended = MIXED.replace("7/0", "35").replace("sometime", "2019-04-02")
    import_files(as_scheduler, mended)
    assert Unit.objects.count() == 3


def test_an_import_is_undone_as_a_whole(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, GOOD)
    as_scheduler.post(f"/imports/{batch.pk}/revert/", {"number": batch.pk})
    assert not Unit.objects.exists()
    assert not Site.objects.exists()
    assert "Everything this import added has been removed" in page_of(as_scheduler, batch)
    assert Change.objects.about(batch).exists()


def test_an_import_that_others_built_upon_stays_and_says_why(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, GOOD)
    site = Site.objects.get()
    as_scheduler.post(
        f"/sites/{site.pk}/add-unit/",
        {
            "idempotency_key": str(uuid.uuid4()),
            "code": "by-hand",
            "installed_on": "2021-05-03",
            "observed_from": "2021-05-03",
        },
    )
    page = as_scheduler.get(f"/imports/{batch.pk}/revert/").content.decode()
    assert "by-hand" in page
    assert 'name="number"' not in page
    page = as_scheduler.post(
        f"/imports/{batch.pk}/revert/", {"number": batch.pk}, follow=True
    ).content.decode()
    assert "by-hand" in page
    assert Unit.objects.count() == 2


def test_files_nobody_wants_are_forgotten(as_scheduler: Client) -> None:
    batch = import_files(as_scheduler, MIXED)
    as_scheduler.post(f"/imports/{batch.pk}/forget/")
    assert not Batch.objects.exists()
    applied = import_files(as_scheduler, GOOD)
    page = as_scheduler.post(f"/imports/{applied.pk}/forget/", follow=True).content.decode()
    assert "undo it instead" in page


def test_the_button_pressed_twice_brings_the_files_in_once(as_scheduler: Client) -> None:
    idempotency_key = str(uuid.uuid4())
    import_files(as_scheduler, GOOD, idempotency_key=idempotency_key)
    import_files(as_scheduler, GOOD, idempotency_key=idempotency_key)
    assert Batch.objects.count() == 1


def test_a_form_without_units_is_refused_with_the_reason(as_scheduler: Client) -> None:
    answer = as_scheduler.post("/imports/new/", {"idempotency_key": str(uuid.uuid4()), "care_by": "us"})
    assert answer.status_code == 422
    assert "Not saved yet" in answer.content.decode()


def test_large_files_are_left_to_the_clock_and_show_their_progress(as_scheduler: Client) -> None:
    lines = "".join(f"U-{n},S-{n},2019-04-02,46,{'x' * 200}\n" for n in range(1300))
    batch = import_files(as_scheduler, "unit,site,installed_on,width,address\n" + lines)
    assert not Unit.objects.exists()
    page = page_of(as_scheduler, batch)
    assert "<progress" in page
    part = as_scheduler.get(batch.get_absolute_url(), headers={"hx-request": "true"}).content.decode()
    assert part.startswith("\n<div") or "<div id=" in part
    assert "<html" not in part
    call_command("clock", once=True)
    assert Unit.objects.count() == 1300


@pytest.mark.parametrize("what", ["units", "history", "periods"])
def test_empty_files_have_the_right_columns(as_scheduler: Client, what: str) -> None:
    answer = as_scheduler.get(f"/imports/empty/{what}.csv")
    assert answer.content.decode().startswith("unit,")


def test_no_other_empty_file(as_scheduler: Client) -> None:
    assert as_scheduler.get("/imports/empty/other.csv").status_code == 404
