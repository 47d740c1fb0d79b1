"""Loads the demo company into an empty database: all of it, or nothing."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import date, datetime, time
from pathlib import Path

from django.db import transaction
from django.utils import timezone

from schedules.maintenance.reference import load_all
from servicedesk.accounts.models import Role, User
from servicedesk.accounts.operations import add_person
from servicedesk.core.history import write_change
from servicedesk.core.models import Batch
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.core.values.words import count
from servicedesk.demo.company import FIXTURES, LOADED, is_loaded
from servicedesk.demo.files import write_files
from servicedesk.demo.histories import write_records
from servicedesk.demo.register import complete_register
from servicedesk.demo.scenario import build_fleet
from servicedesk.demo.sources import Scenario
from servicedesk.demo.story import Story
from servicedesk.imports.batches import create_batch, resume
from servicedesk.imports.files.folders import Incoming
from servicedesk.imports.models import InputFile, StagedProblem
from units.models import ComponentType, Site, Unit

MIDDAY = time(14)
NOT_EMPTY = (
    "This installation has other records already, and the demo company would mix with them. Load it into "
    "an empty one: `make demo-fresh` starts a new one of its own."
)
STILL_TO_COME = "That day is still to come: give today or an earlier day, such as {}."

Tell = Callable[[str], None]


def load_demo(scenario: Scenario, *, today: date | None, folder: Path, tell: Tell) -> None:
    """Load the demo company as of a day (today by default); a loaded one is left as it is.

    Raises
    ------
    RuleViolation
        When the database contains other records, or the day is in the future.
    """
    if is_loaded():
        return
    now = _moment(today)
    if Unit.objects.exists() or Site.objects.exists() or _known_people(scenario):
        raise RuleViolation(NOT_EMPTY)
    # One transaction: an interrupted load leaves the database empty, and can simply be run again.
    with transaction.atomic():
        _load(scenario, now=now, folder=folder, tell=tell)


def _load(scenario: Scenario, *, now: datetime, folder: Path, tell: Tell) -> None:
    """Build the company, import its files, and add its present week."""
    tell(f"Building {scenario.company} of {scenario.county} …")
    fleet = build_fleet(scenario, today=timezone.localdate(now))
    files = write_files(fleet, write_records(fleet), folder=folder)
    if not ComponentType.objects.exists():
        load_all(FIXTURES / "reference", by=None, at=now)
    people = _sign_up(scenario, at=now)
    owner = next(people[who.username] for who in scenario.people if who.role == Role.OWNER)
    tell(f"Importing {count(len(fleet.units), 'unit')} at {count(len(fleet.sites), 'site')} …")
    import_files({InputFile.UNITS: files.units, InputFile.PERIODS: files.periods}, by=owner, at=now)
    complete_register(fleet, by=owner, at=now)
    tell("Importing eleven years of calls, findings and maintenance …")
    import_files({InputFile.UNITS: files.units, InputFile.HISTORY: files.history}, by=owner, at=now)
    tell("Planning the week …")
    Story(fleet, FIXTURES / "demo" / "story.json", people=people, now=now).tell()
    write_change(owner, action=LOADED, by=owner, at=now)


def _moment(today: date | None) -> datetime:
    """Present moment of the demo: now, or midday of an earlier day."""
    now = timezone.now()
    if today is None or today == timezone.localdate(now):
        return now
    if today > timezone.localdate(now):
        raise RuleViolation(STILL_TO_COME.format(timezone.localdate(now)))
    return timezone.make_aware(datetime.combine(today, MIDDAY))


def _known_people(scenario: Scenario) -> bool:
    return User.objects.filter(username__in=[person.username for person in scenario.people]).exists()


def _sign_up(scenario: Scenario, *, at: datetime) -> dict[str, User]:
    """Add the demo's users."""
    return {
        person.username: add_person(
            person.username,
            name=person.name,
            role=Role(person.role),
            password=person.password,
            by=None,
            at=at,
        )
        for person in scenario.people
    }


def import_files(paths: Mapping[InputFile, Path], *, by: User, at: datetime) -> None:
    """Import files as anybody would; in the demo every row must be good."""
    contents = {file: path.open("rb") for file, path in paths.items()}
    try:
        incoming = {file: Incoming(paths[file].name, content) for file, content in contents.items()}
        batch = create_batch(incoming, keep_good=False, care_by=Site.CareBy.NOBODY, by=by, at=at)
    finally:
        for content in contents.values():
            content.close()
    batch = resume(batch)
    if batch.stage != Batch.Stage.APPLIED:
        raise RuleViolation(_first_problem(batch))


def _first_problem(batch: Batch) -> str:
    problem = StagedProblem.objects.filter(batch=batch).order_by("file", "line").first()
    if problem is None:
        return batch.problem or f"{batch} is {batch.get_stage_display()}."
    return f"{problem.file}, line {problem.line}, {problem.column} “{problem.value}”: {problem.reason}"
