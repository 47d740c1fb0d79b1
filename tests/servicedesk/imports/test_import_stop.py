"""An import is undone once its consequences were read; it can be stopped half-way, and figures say so."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from datetime import timedelta
from typing import Any

import pytest
import time_machine
from django.core.management import call_command
from django.test import Client
from django.utils import timezone
from pypdf import PdfReader

from servicedesk.accounts.models import User
from servicedesk.calls.models import Finding, Work
from servicedesk.core.history import write_change
from servicedesk.core.models import Batch, Change
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports import background, batches, operations
from servicedesk.imports.applying import steps as applying
from servicedesk.imports.tasks import apply_batch
from tests.factories import FindingFactory
from tests.servicedesk.imports.fleet_files import add_reference, create_batch, event, import_files, unit
from units.models import FailureMode, Unit

pytestmark = pytest.mark.django_db(transaction=True)

WORDS = "An import is being {}: figures may mix old and new data until it has finished."


@pytest.fixture(autouse=True)
def reference(db: None) -> None:
    """Names that files can use."""
    add_reference()


@pytest.fixture
def batch() -> Batch:
    """An import of thirty units with a little history."""
    rows = [unit(f"U{number}", site=f"S{number % 7}") for number in range(30)]
    return import_files(rows, [event("U1"), event("U2")])


def half_undone(batch: Batch, client: Client) -> Batch:
    """Undo an import, and press the button that stops it once something is deleted."""
    return halt(
        batch, client, lambda stop: operations.revert(batch, by=None, at=timezone.now(), progress=stop)
    )


def halt(batch: Batch, client: Client, work: Callable[[Any], object]) -> Batch:
    """Do some work on an import, and press the button that stops it after a few chunks."""
    chunks = 0

    def stop(what: str, done: int, total: int) -> None:
        nonlocal chunks
        chunks += 1
        if chunks == 3:
            client.post(f"/imports/{batch.pk}/stop/")

    with pytest.raises(operations.LeaseLost, match="Stopped by"):
        work(stop)
    batch.refresh_from_db()
    return batch


def test_what_goes_is_counted_before_anything_goes(as_scheduler: Client, batch: Batch) -> None:
    page = as_scheduler.get(f"/imports/{batch.pk}/revert/").content.decode()
    for words in ("30 units", "7 sites", "2 history rows"):
        assert f"<li>{words}</li>" in page, words
    assert f"type the number of the import: {batch.pk}" in page
    assert Unit.objects.count() == 30


@pytest.mark.parametrize("typed", ["", "yes", "0", "999999"])
def test_another_number_undoes_nothing(as_scheduler: Client, batch: Batch, typed: str) -> None:
    answer = as_scheduler.post(f"/imports/{batch.pk}/revert/", {"number": typed})
    assert answer.status_code == 422
    assert Unit.objects.count() == 30
    batch.refresh_from_db()
    assert batch.stage == Batch.Stage.APPLIED


def test_the_right_number_undoes_it(as_scheduler: Client, batch: Batch) -> None:
    assert as_scheduler.post(f"/imports/{batch.pk}/revert/", {"number": batch.pk}).status_code == 302
    assert not Unit.objects.exists()


def test_what_hangs_on_it_is_named_and_nothing_can_be_typed(as_scheduler: Client, batch: Batch) -> None:
    first = Unit.objects.order_by("pk")[0]
    FindingFactory.create(unit=first, installed_part=None, mode=FailureMode.objects.order_by("pk")[0])
    page = as_scheduler.get(f"/imports/{batch.pk}/revert/").content.decode()
    assert "What was recorded since and depends on it" in page
    assert f"of unit {first.code}" in page
    assert 'name="number"' not in page


def test_an_undoing_stops_says_how_far_it_came_and_goes_on(as_scheduler: Client, batch: Batch) -> None:
    half_undone(batch, as_scheduler)
    assert batch.stage == Batch.Stage.REVERTING
    assert 0 < batch.work_done < batch.work_total
    page = as_scheduler.get(batch.get_absolute_url()).content.decode()
    assert "Partly undone" in page
    assert f"{batch.work_done} of {batch.work_total} records are removed" in page
    assert "Resume undoing" in page
    left = Finding.objects.count(), Work.objects.count(), Unit.objects.count()
    call_command("clock", once=True)
    assert (Finding.objects.count(), Work.objects.count(), Unit.objects.count()) == left
    as_scheduler.post(f"/imports/{batch.pk}/resume/")
    batch.refresh_from_db()
    assert (batch.stage, batch.problem, Unit.objects.count()) == (Batch.Stage.REVERTED, "", 0)
    action = list(Change.objects.about(batch).order_by("pk").values_list("action", flat=True))
    assert any(line.startswith("stopped while being undone") for line in action)
    assert action[-1].startswith("undone: ")


@pytest.mark.parametrize("way", ["go on", "undo"])
def test_an_applying_stops_and_goes_on_or_is_undone(
    as_scheduler: Client, monkeypatch: pytest.MonkeyPatch, way: str
) -> None:
    monkeypatch.setattr(applying, "PAGE", 5)
    batch = create_batch([unit(f"U{number}", site=f"S{number % 7}") for number in range(30)], [event("U29")])
    operations.stage(batch)
    batch.refresh_from_db()
    halt(batch, as_scheduler, lambda stop: operations.apply(batch, progress=stop))
    assert batch.stage == Batch.Stage.APPLYING
    assert 0 < Unit.objects.count() < 30
    page = as_scheduler.get(batch.get_absolute_url()).content.decode()
    assert "Partly applied" in page
    if way == "go on":
        as_scheduler.post(f"/imports/{batch.pk}/resume/")
        assert (Unit.objects.count(), Finding.objects.count()) == (30, 1)
    else:
        as_scheduler.post(f"/imports/{batch.pk}/revert/", {"number": batch.pk})
        assert not Unit.objects.exists()
    batch.refresh_from_db()
    assert batch.stage == (Batch.Stage.APPLIED if way == "go on" else Batch.Stage.REVERTED)


def test_an_import_stopped_while_another_is_gone_on_with_is_let_be(
    as_scheduler: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A crash left two half-way; the second is stopped while the clock works on the first."""
    first, second = import_files([unit("A1", site="A")]), import_files([unit("B1", site="B")])
    Batch.objects.update(stage=Batch.Stage.REVERTING)
    for each in (first, second):
        write_change(each, action="to be undone: 1 unit", by=None, at=timezone.now())
    resume = batches.resume

    def slowly(batch: Batch) -> Batch:
        if batch == first:
            as_scheduler.post(f"/imports/{second.pk}/stop/")
        return resume(batch)

    monkeypatch.setattr(batches, "resume", slowly)
    call_command("clock", once=True)
    assert list(Unit.objects.values_list("code", flat=True)) == ["B1"]
    second.refresh_from_db()
    assert second.problem.startswith("Stopped by")


def test_nobody_is_missed_right_after_an_undoing_was_asked_for(
    as_scheduler: Client, batch: Batch, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(background, "SMALL", 0)  # left to the clock, as large files are
    later, words = timezone.now() + timedelta(hours=2), "This has not started yet"
    with time_machine.travel(later, tick=False):
        as_scheduler.post(f"/imports/{batch.pk}/revert/", {"number": batch.pk})
        assert words not in as_scheduler.get(batch.get_absolute_url()).content.decode()
    with time_machine.travel(later + timedelta(minutes=1), tick=False):
        assert words in as_scheduler.get(batch.get_absolute_url()).content.decode()


def test_how_far_it_is_reads_like_the_other_numbers(as_scheduler: Client, batch: Batch) -> None:
    far = {"stage": Batch.Stage.REVERTING, "work_done": 5920, "work_total": 11_035}
    for problem, words in (("", "5,920 of 11,035"), ("Stopped.", "5,920 of 11,035 records")):
        Batch.objects.filter(pk=batch.pk).update(problem=problem, **far)
        assert words in as_scheduler.get(batch.get_absolute_url()).content.decode()


def test_nothing_to_stop_is_refused(as_scheduler: Client, batch: Batch) -> None:
    page = as_scheduler.post(f"/imports/{batch.pk}/stop/", follow=True).content.decode()
    assert "nothing is under way" in page
    page = as_scheduler.post(f"/imports/{batch.pk}/resume/", follow=True).content.decode()
    assert "nothing is left to do" in page


@pytest.mark.parametrize(("stage", "done"), [("applying", "applied"), ("reverting", "undone")])
def test_figures_say_that_an_import_is_half_way(
    as_owner: Client, batch: Batch, stage: str, done: str
) -> None:
    pages = ["/figures/", "/figures/rates/", "/figures/aging/", "/figures/log/", "/figures/findings/"]
    pages += [
        "/figures/compare/",
        "/figures/forecast/",
        "/figures/maintenance/",
        "/figures/year/",
        "/figures/surveillance/",
        "/",
    ]
    words = WORDS.format(done)
    for address in pages:
        assert "may mix old and new" not in as_owner.get(address).content.decode(), address
    Batch.objects.filter(pk=batch.pk).update(stage=stage)
    for address in pages:
        assert words in as_owner.get(address).content.decode(), address
    assert words not in as_owner.get("/units/").content.decode()
    lines = as_owner.get("/figures/rates/?csv=1").content.decode().splitlines()
    assert lines[0] == words
    assert next(csv.reader(lines[1:]))[0] != words
    pdf = as_owner.get("/figures/year/?pdf=1").content
    assert words in " ".join(PdfReader(io.BytesIO(pdf)).pages[0].extract_text().split())
    for options in ([], ["--csv"]):
        out = io.StringIO()
        call_command("figures", "rates", *options, stdout=out)
        assert out.getvalue().startswith(words)
    out = io.StringIO()
    call_command("figures", "rates", "--json", stdout=out)
    assert json.loads(out.getvalue())["note"] == words


def test_a_task_asked_for_before_the_stop_does_not_go_on(as_scheduler: Client, batch: Batch) -> None:
    half_undone(batch, as_scheduler)
    left = batch.work_done
    assert apply_batch(batch.pk).startswith("Stopped by")
    batch.refresh_from_db()
    assert batch.work_done == left
    with pytest.raises(RuleViolation):
        operations.stop(batch, by=User.objects.first(), at=timezone.now())
