"""Texts made to run somewhere are kept as they are, and run nowhere: not in pages, files, calendars or PDFs.

What a spreadsheet takes for a formula: OWASP, “CSV Injection” (cells that begin with = + - @, tab or carriage
return), from memory.
"""

from __future__ import annotations

import csv
import io
from datetime import timedelta
from uuid import uuid4

import pytest
from django.core.management import call_command
from django.test import Client
from django.utils import timezone
from icalendar import Calendar
from pypdf import PdfReader

from schedules.calendars.feeds import due_feed, todo_feed, visits_feed
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call
from servicedesk.core.web.exports import RISKY_STARTS
from servicedesk.imports import operations
from servicedesk.imports.models import InputFile
from tests.every_address import ALL
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    ConstructionFactory,
    FailureModeFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    OwnershipFactory,
    SiteFactory,
    TaskFactory,
    VisitFactory,
)
from tests.junk import MARK, faults_of
from tests.schedules.ical_linter import lint
from tests.servicedesk.reports.small_fleets import Fleet
from units.models import Customer, Site

pytestmark = pytest.mark.django_db

FORMULA = f"=cmd|' /C {MARK}'!A0"
SCRIPT = f"<script>{MARK}(1)</script>"
NASTY = f'{FORMULA} {SCRIPT}"><img src=x onerror={MARK}(1)>'
"""A formula for spreadsheets first, then scripts for browsers."""

CSV_PAGES = (
    *(
        "/figures/rates/?csv",
        "/figures/rates/?by=component&csv",
        "/figures/aging/?csv",
        "/figures/lasting/?csv",
    ),
    *("/figures/log/?csv", "/figures/surveillance/?csv", "/figures/forecast/?csv", "/figures/year/?csv"),
    *("/imports/empty/units.csv", "/imports/empty/history.csv", "/imports/empty/periods.csv"),
)
COMMANDS = ("rates", "survival", "recurrence", "forecast", "lots", "year")


@pytest.fixture
def site(technician: User) -> Site:
    """A desk in which every name and note is nasty."""
    made: Site = SiteFactory(
        code="=1+1", care_by="us", address=NASTY, access_notes=NASTY, latitude=27, longitude=-82
    )
    OwnershipFactory(site=made, customer__name=NASTY, customer__note=NASTY)
    fleet = Fleet()
    fleet.track = ComponentTypeFactory(name=f"@{NASTY}"[:80], kind="track")
    fleet.liner = ComponentTypeFactory(name=f"+{NASTY}"[:80], kind="track")
    fleet.binds = FailureModeFactory(code="=A1", name=f"-{NASTY}"[:80], kind="track")
    built = ConstructionFactory(code="=C", name=f"={NASTY}"[:80])
    for number in range(12):
        unit = fleet.unit(made, code=f"={number}", construction=built, place=NASTY, panels=3)
        fleet.watch(unit, 0)
        part = fleet.fit(unit, of=fleet.track if number % 2 else fleet.liner, lot=f"={NASTY}"[:60])
        fleet.find(part, 100 + 20 * number, note=NASTY)
    rule = MaintenanceRuleFactory(component_type=part.component_type, name=f"={NASTY}"[:100])
    NextDueFactory(installed_part=part, rule=rule, next_due_on=timezone.localdate())
    task = TaskFactory(
        unit=unit, reason=NASTY, due_on=timezone.localdate(), state="in-process", origin="call"
    )
    CallFactory(site=made, unit=unit, task=task, words=NASTY, reported_by=NASTY)
    start = timezone.now() + timedelta(days=1)
    visit = VisitFactory(site=made, starts_at=start, ends_at=start + timedelta(hours=1), note=NASTY)
    visit.technicians.add(technician)
    visit.visit_tasks.create(task=task)
    return made


def test_a_customer_with_such_a_name_is_kept_as_typed(as_scheduler: Client) -> None:
    answer = as_scheduler.post("/customers/add/", {"idempotency_key": uuid4(), "name": NASTY, "note": SCRIPT})
    assert answer.status_code == 302
    assert Customer.objects.get().name == NASTY
    page = as_scheduler.get(answer["Location"])
    assert faults_of(page) == []
    assert "&lt;script&gt;" in page.content.decode()


def test_no_page_runs_what_is_in_the_records(as_owner: Client, site: Site) -> None:
    unit = site.units.order_by("-pk")[0]
    paths = [
        *("/", "/units/", "/sites/", "/customers/", "/calls/", "/due/", "/visits/", "/week/", "/letters/"),
        *(
            "/care-rules/",
            "/care-ahead/",
            "/who-does-the-care/",
            "/working-times/",
            "/calendars/",
            "/stickers/",
        ),
        *(
            f"/units/{unit.pk}/",
            f"/sites/{site.pk}/",
            f"/units/{unit.pk}/change/",
            f"/field/units/{unit.pk}/",
        ),
        *(
            f"/sites/{site.pk}/change/",
            f"/sites/{site.pk}/owner/",
            f"/customers/{Customer.objects.get().pk}/",
        ),
        *(f"/calls/{Call.objects.get().pk}/", f"/calls/log/?q={NASTY}", f"/calls/log/{site.pk}/"),
        *(f"/calls/units/{unit.pk}/findings/add/", f"/calls/units/{unit.pk}/works/add/"),
        *(f"/visits/{site.visits.get().pk}/", f"/visits/{site.visits.get().pk}/finish/"),
        *("/parts-and-rules/types/", "/parts-and-rules/modes/", "/parts-and-rules/constructions/"),
        *("/figures/", "/figures/rates/", "/figures/aging/", "/figures/lasting/", "/figures/findings/"),
        *(
            "/figures/log/",
            "/figures/surveillance/",
            "/figures/forecast/",
            "/figures/year/",
            "/figures/compare/",
        ),
    ]
    shown, wrong = 0, []
    for path in paths:
        answer = as_owner.get(path)
        wrong += [f"{path}: {fault}" for fault in faults_of(answer)]
        if answer.status_code == 200:
            shown += f"&lt;script&gt;{MARK}" in answer.content.decode()
    assert wrong == []
    assert shown > 20


def cells_of(text: str) -> list[str]:
    """Read all cells of a file as a spreadsheet would."""
    return [cell for row in csv.reader(io.StringIO(text, newline="")) for cell in row]


def check(text: str) -> bool:
    """See that no cell runs; numbers may be negative. Answer whether there was anything to defuse."""
    cells = cells_of(text)
    assert cells
    for cell in cells:
        if cell.startswith(RISKY_STARTS):
            float(cell)  # else it is no number
    return any(MARK in cell for cell in cells)


def test_no_file_to_download_holds_a_formula(as_owner: Client, site: Site) -> None:
    call_command("keep_failure_log", verbosity=0)
    content = f'unit,site,installed_on,lot\n{FORMULA},"\t=1",@today,-1\n'.encode()
    batch = operations.create_batch(
        {InputFile.UNITS: operations.Incoming(f"{FORMULA}.csv", io.BytesIO(content))},
        keep_good=False,
        care_by="us",
        by=None,
        at=timezone.now(),
    )
    operations.resume(batch)
    files = [f"/imports/{batch.pk}/problems.csv", f"/imports/{batch.pk}/units-bad.csv", *CSV_PAGES]
    files_with_mark = 0
    for path in files:
        answer = as_owner.get(path)
        assert (answer.status_code, answer["Content-Type"][:8]) == (200, "text/csv"), path
        files_with_mark += check(b"".join(answer).decode())
    assert files_with_mark >= 5


@pytest.mark.parametrize("name", COMMANDS)
def test_no_file_of_the_command_holds_a_formula(site: Site, name: str) -> None:
    out = io.StringIO()
    call_command("figures", name, "--csv", stdout=out)
    check(out.getvalue())


def test_every_page_that_gives_a_file_is_among_these() -> None:
    """A new export has to be added here: it is found by the word `csv` in its view or address."""
    from inspect import getsource, unwrap

    named = {path.partition("?")[0] for path in CSV_PAGES}
    csv_views = {
        name
        for name, pattern in ALL.items()
        if '"csv" in request.GET' in getsource(unwrap(pattern.callback))  # type: ignore[arg-type]
    }
    known = {"reports:rates", "reports:log", "reports:surveillance", "reports:forecast", "reports:year"}
    # These two ask of two types, or one rule, by name.
    assert csv_views - {"reports:compare", "reports:maintenance"} == known
    assert all(any(path in named for path in (f"/figures/{name.split(':')[1]}/",)) for name in known)


def test_the_report_on_paper_is_set(as_owner: Client, site: Site) -> None:
    answer = as_owner.get("/figures/year/?pdf")
    assert answer["Content-Type"] == "application/pdf"
    assert PdfReader(io.BytesIO(answer.content)).pages
    stickers = as_owner.get(f"/stickers/?site={site.pk}")
    assert faults_of(stickers) == []


def test_calendars_hold_the_words_and_nothing_more(site: Site, technician: User) -> None:
    at = timezone.now()
    for body in (visits_feed(technician, at=at), due_feed(at=at), todo_feed(at=at)):
        assert lint(body) == []
        entries = [entry for entry in Calendar.from_ical(body).walk() if entry.name in {"VEVENT", "VTODO"}]
        assert any(MARK in str(entry.get("SUMMARY")) + str(entry.get("LOCATION")) for entry in entries)
        assert all(len(line) <= 75 for line in body.split(b"\r\n"))
