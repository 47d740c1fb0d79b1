"""Records to send forms about, and the entries of the longer forms."""

from __future__ import annotations

import itertools
import json
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import date, timedelta
from io import BytesIO
from typing import Any
from uuid import uuid4

from django.contrib.auth.models import Group
from django.core.files.uploadedfile import SimpleUploadedFile
from django.urls import reverse
from django.utils import timezone
from PIL import Image

from schedules.models import Notification, NotificationKind
from schedules.notifications.links import VisitKey, visit_token
from servicedesk.accounts.models import User
from servicedesk.calls.models import SafetyAnswer
from servicedesk.imports import operations
from servicedesk.imports.models import InputFile
from servicedesk.reports.models import LotFlag
from tests.factories import (
    CallFactory,
    CustomerFactory,
    FailureModeFactory,
    InstalledPartFactory,
    OwnershipFactory,
    TaskFactory,
    UnitFactory,
    UserFactory,
    VisitFactory,
)

DAY = "2024-05-04"
COUNT = itertools.count(1)
WEEKS = itertools.cycle(range(40))  # of a year to come: letters are written about no later visit


@dataclass
class Sent:
    """A form or a record as it goes over the wire, the same each time."""

    name: str
    arguments: tuple[Any, ...] = ()
    data: dict[str, Any] = field(default_factory=dict)
    query: str = ""
    files: dict[str, tuple[str, bytes, str]] = field(default_factory=dict)
    body: str = ""
    anonymous: bool = False

    @property
    def path(self) -> str:
        """Where it is sent."""
        return reverse(self.name, args=self.arguments) + self.query

    def opened(self) -> dict[str, Any]:
        """Give the entries with files that can be read once more."""
        return {
            **self.data,
            **{name: SimpleUploadedFile(*file) for name, file in self.files.items()},
        }


def soon(days: int = 9) -> date:
    """A day to come."""
    return timezone.localdate() + timedelta(days=days)


def technician(email: str = "") -> User:
    """Somebody who goes out."""
    person: User = UserFactory(password="not one to sign in with", email=email)
    person.groups.add(Group.objects.get_or_create(name="technician")[0])
    return person


def word() -> str:
    """A word that nothing else has."""
    return f"w{next(COUNT)}"


def key() -> str:
    """A key as a form makes it."""
    return str(uuid4())


def a_photo() -> dict[str, tuple[str, bytes, str]]:
    """A small photo."""
    content = BytesIO()
    Image.new("RGB", (32, 24), "tan").save(content, "PNG")
    return {"photo": ("p.png", content.getvalue(), "image/png")}


def visit_ahead(**fields: Any) -> Any:
    """A proposed visit to come, with somebody and a task."""
    task = TaskFactory(state="in-process")
    starts = timezone.now() + timedelta(days=9 + 7 * next(WEEKS))  # each in a week of its own
    visit = VisitFactory(site=task.site, starts_at=starts, **fields)
    visit.technicians.add(technician())
    visit.visit_tasks.create(task=task)
    OwnershipFactory(site=visit.site, customer=CustomerFactory(email="ida@customer.example"))
    return visit


def call_with_answers(said: str = "no", **fields: Any) -> Any:
    """An open call whose safety questions are answered."""
    call = CallFactory(task=TaskFactory(origin="call"), **fields)
    for question in SafetyAnswer.Question.values:
        call.safety_answers.create(question=question, answer=said)
    return call


def batch() -> Any:
    """An import that was checked only."""
    row = f"unit,site,installed_on\n{word()},{word()},2020-04-01\n".encode()
    files = {InputFile.UNITS: operations.Incoming("units.csv", BytesIO(row))}
    made = operations.create_batch(
        files, keep_good=False, care_by="us", check_only=True, by=None, at=timezone.now()
    )
    return operations.resume(made)


def applied_batch() -> Any:
    """An import that was applied."""
    row = f"unit,site,installed_on\n{word()},{word()},2020-04-01\n".encode()
    files = {InputFile.UNITS: operations.Incoming("units.csv", BytesIO(row))}
    return operations.resume(
        operations.create_batch(files, keep_good=False, care_by="us", by=None, at=timezone.now())
    )


def a_finding(unit: Any) -> dict[str, Any]:
    """The entries of a finding."""
    InstalledPartFactory(unit=unit, component_type__kind="track")
    mode = FailureModeFactory(kind="track")
    return {
        "idempotency_key": key(),
        "mode": mode.pk,
        "severity": "hinders",
        "is_failure": "True",
        "found_on": DAY,
        "same_as": "new",
    }


def some_work() -> dict[str, Any]:
    """The entries of a work."""
    return {"idempotency_key": key(), "kind": "cleaned", "done_on": DAY, "payer": "undecided"}


def phone_record(kind: str = "work") -> tuple[str, str]:
    """A record of a phone and its key."""
    made = key()
    body = {"unit": UnitFactory().pk, "work": "cleaned", "done_on": DAY}
    payload = {"key": made, "kind": kind, "made_at": timezone.now().isoformat(), "body": body}
    return made, json.dumps(payload)


def a_file() -> Sent:
    """Files handed in."""
    row = f"unit,site,installed_on\n{word()},{word()},2020-04-01\n".encode()
    data = {"idempotency_key": key(), "care_by": "us"}
    return Sent("imports:create_import", data=data, files={"units": ("units.csv", row, "text/csv")})


def a_rule() -> dict[str, Any]:
    """The entries of a care rule."""
    return {
        "name": word(),
        "work": "cleaned",
        "interval_months": 12,
        "minutes": 10,
        "persons": 1,
        "level": 1,
        "exposed_to": "",
        "active": "on",
        "note": "",
        "source": "",
        "material": "",
        "material_each": 0,
        "why": "trial",
    }


def notification() -> Any:
    """A letter that failed."""
    fields = {
        "kind": NotificationKind.ASKING,
        "subject": "visit",
        "subject_id": next(COUNT),
        "due_on": soon(),
    }
    fields["next_try_at"] = timezone.now()
    person = technician()
    return Notification.objects.create(
        **fields,
        stage="failed",
        made_at=timezone.now(),
        person=person,
        addressee=f"person {person.pk}",
    )


def flag() -> Any:
    """A lot that stands out, with a part in place."""
    part = InstalledPartFactory(lot=word())
    return LotFlag.objects.create(
        component_type=part.component_type,
        lot=part.lot,
        way="over-all",
        raised_on=date(2026, 5, 4),
        events=9,
        expected=2.0,
        failed_sites=5,
        items=1,
        sites=1,
        years=5.0,
    )


def own(make: Callable[[], Any]) -> Any:
    """Make a record and give its key."""
    return make().pk


def site_entries() -> dict[str, Any]:
    """The entries of a site."""
    return {"code": word(), "address": "1 Testing Lane", "care_by": "us"}


def visit_entries(site: Any) -> dict[str, Any]:
    """The entries of a visit to come, within the usual working times."""
    hour, day = 9 + next(COUNT) % 6, soon(20 + next(COUNT) % 400)
    return {
        "day": str(day - timedelta(days=max(0, day.weekday() - 4))),
        "time": f"{hour:02}:00",
        "minutes": 30,
        "technicians": [technician().pk],
        "note": word(),
        "tasks": [TaskFactory(unit=UnitFactory(site=site)).pk],
    }


def report_address(visit: Any) -> str:
    """Sign the page of a visit for its customer."""
    owner = visit.site.ownerships.get().customer_id
    return visit_token(VisitKey(visit.pk, owner))
