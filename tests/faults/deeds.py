"""Real operations over HTTP, each with a mark by which what came of it is found again.

A deed that makes a record carries a key as well, so that the very same can be sent again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from io import BytesIO
from itertools import count
from typing import Any
from uuid import uuid4

from PIL import Image

from tests.faults.person import Heard, Person

DAYS_BACK = 3  # so that no moved clock makes a day one to come


@dataclass
class Deed:
    """One operation: what is sent, and what was heard of it."""

    kind: str
    mark: str
    path: str
    data: dict[str, Any]
    key: str = ""
    about: int = 0
    """The record that is changed, or the one whose part is replaced."""
    files: dict[str, tuple[str, bytes, str]] = field(default_factory=dict)
    heard: list[Heard] = field(default_factory=list)
    wanted: int = 0
    """How many tasks it takes along, or works it records beside a finding."""

    @property
    def acknowledged(self) -> bool:
        """Whether the desk ever said that it is stored."""
        return any(heard.acknowledged for heard in self.heard)

    @property
    def refused(self) -> bool:
        """Whether the desk said that nothing of it is stored, and never anything else."""
        return all(heard.refused for heard in self.heard)

    def send(self, person: Person) -> Heard:
        """Send it, perhaps not for the first time."""
        if self.kind.startswith("phone"):
            heard = person.send(self.path, self.data)
        else:
            heard = person.post(self.path, self.data, files=self._opened())
        if self.kind == "confirm" and heard.status == 302:
            page = person.look(f"/visits/{self.about}/")
            heard = heard if "confirmed" in page else Heard(0)
        self.heard.append(heard)
        return heard

    def _opened(self) -> Any:
        return {
            name: (called, BytesIO(content), kind) for name, (called, content, kind) in self.files.items()
        }


@dataclass(frozen=True)
class Plot:
    """What one person works on: nobody else changes these, so what they hold in the end can be foretold."""

    sites: list[int]
    customers: list[int]
    units: list[int]
    modes: list[int]
    installed_parts: list[int]
    """One part of each unit, which is replaced again and again."""
    types: list[int]
    technician: int
    construction: int


def today() -> date:
    """The day on which everything is said to have happened."""
    return date.today() - timedelta(days=DAYS_BACK)  # noqa: DTZ011 - any day near will do


def key() -> str:
    """A key as a form or a phone makes it."""
    return str(uuid4())


def log_call(mark: str, plot: Plot, number: int) -> Deed:
    """Log a call; every safety question is answered with no, so that it can be closed."""
    site, made = plot.sites[number % len(plot.sites)], key()
    data = {
        "idempotency_key": made,
        "words": mark,
        "symptom": "stiff",
        "urgency": "this_week",
        "reported_by": "Ida Probe",
    }
    data |= dict.fromkeys(questions(), "no")
    return Deed("call", mark, f"/calls/log/{site}/", data, made, about=site)


def questions() -> list[str]:
    """Name the safety questions."""
    from servicedesk.calls.models import SafetyAnswer

    return list(SafetyAnswer.Question.values)


def record_finding(mark: str, plot: Plot, number: int) -> Deed:
    """Record a finding on a form."""
    place, made = number % len(plot.units), key()
    data = {
        "idempotency_key": made,
        "mode": plot.modes[place],
        "severity": "hinders",
        "is_failure": "True",
        "found_on": str(today()),
        "same_as": "new",
        "note": mark,
    }
    return Deed("finding", mark, f"/calls/units/{plot.units[place]}/findings/add/", data, made)


def phone_finding(mark: str, plot: Plot, number: int) -> Deed:
    """Record a finding, with a work done about it, on a phone."""
    place, made = number % len(plot.units), key()
    body = {
        "unit": plot.units[place],
        "mode": plot.modes[place],
        "severity": "hinders",
        "found_on": str(today()),
        "same_as": "new",
        "note": mark,
        "works": ["adjusted", "cleaned"],
    }
    return _of_phone("finding", mark, made, body, wanted=2)


def phone_work(mark: str, plot: Plot, number: int) -> Deed:
    """Record work on a phone."""
    body = {
        "unit": plot.units[number % len(plot.units)],
        "work": "cleaned",
        "done_on": str(today()),
        "note": mark,
    }
    return _of_phone("work", mark, key(), body)


def _of_phone(kind: str, mark: str, made: str, body: dict[str, Any], *, wanted: int = 0) -> Deed:
    record = {"key": made, "kind": kind, "made_at": f"{today()}T12:00:00+00:00", "body": body}
    return Deed(f"phone {kind}", mark, "/field/inbox/", record, made, wanted=wanted)


def record_work(mark: str, plot: Plot, number: int) -> Deed:
    """Record work on a form."""
    made = key()
    data = {
        "idempotency_key": made,
        "kind": "cleaned",
        "done_on": str(today()),
        "payer": "undecided",
        "note": mark,
    }
    path = f"/calls/units/{plot.units[number % len(plot.units)]}/works/add/"
    return Deed("work", mark, path, data, made)


def replace_part(mark: str, plot: Plot, number: int) -> Deed:
    """Replace a part of a unit as a whole set, as work."""
    place, made = number % len(plot.units), key()
    data = {
        "idempotency_key": made,
        "kind": "replaced",
        "extent": "set",
        "installed_part": plot.installed_parts[place],
        "component_type": plot.types[place],
        "pieces": 1,
        "lot": mark,
        "done_on": str(today()),
        "payer": "undecided",
        "note": mark,
    }
    path = f"/calls/units/{plot.units[place]}/works/add/"
    return Deed("part", mark, path, data, made, about=plot.installed_parts[place])


def add_customer(mark: str, plot: Plot, number: int) -> Deed:
    """Add a customer."""
    made = key()
    data = {"idempotency_key": made, "name": f"Customer {mark}", "note": mark}
    return Deed("customer", mark, "/customers/add/", data, made)


def add_unit(mark: str, plot: Plot, number: int) -> Deed:
    """Add a unit with the parts of its construction."""
    made = key()
    data = {
        "idempotency_key": made,
        "code": mark,
        "note": mark,
        "panels": 3,
        "construction": plot.construction,
        "installed_on": "2024-05-04",
        "observed_from": "2024-05-04",
        "age_known": "on",
    }
    return Deed("unit", mark, f"/sites/{plot.sites[number % len(plot.sites)]}/add-unit/", data, made)


def change_customer(mark: str, plot: Plot, number: int) -> Deed:
    """Change a customer: there is no key, for the same twice is the same."""
    customer = plot.customers[number % len(plot.customers)]
    data = {"name": f"Customer Probeson {customer}", "note": mark}
    return Deed("change customer", mark, f"/customers/{customer}/change/", data, about=customer)


def change_site(mark: str, plot: Plot, number: int) -> Deed:
    """Change a site."""
    site = plot.sites[number % len(plot.sites)]
    data = {"code": f"P{site}", "address": f"{site} Testing Lane", "care_by": "us", "access_notes": mark}
    return Deed("change site", mark, f"/sites/{site}/change/", data, about=site)


def plan_visit(mark: str, plot: Plot, site: int, *, hour: int, task: int = 0, over: bool = False) -> Deed:
    """Plan a visit to come, or record one that took place; each has an hour of its own."""
    made = key()
    day, time = slot(hour, over=over)
    data: dict[str, Any] = {
        "idempotency_key": made,
        "day": str(day),
        "time": time,
        "minutes": 30,
        "technicians": [plot.technician],
        "all_the_same": "on",
        "note": mark,
    }
    data |= {"tasks": [task]} if task else {}
    data |= {"already_over": "on"} if over else {}
    return Deed("visit", mark, f"/visits/plan/?site={site}", data, made, about=site, wanted=int(bool(task)))


def slot(hour: int, *, over: bool) -> tuple[date, str]:
    """Find the day and the time of one of the hours that follow each other, backward or forward."""
    days, which = divmod(hour, 8)
    day = today() - timedelta(days=days) if over else today() + timedelta(days=2 * DAYS_BACK + 2 + days)
    return day, f"{8 + which:02}:00"


def move_visit(mark: str, plot: Plot, visit: int, *, hour: int) -> Deed:
    """Move a visit to an hour of its own."""
    day, time = slot(hour, over=False)
    data = {"day": str(day), "time": time, "minutes": 30, "technicians": [plot.technician], "note": mark}
    data |= {"all_the_same": "on"}
    return Deed("move", mark, f"/visits/{visit}/change/", data, about=visit)


def confirm_visit(mark: str, visit: int) -> Deed:
    """Confirm a visit."""
    return Deed("confirm", mark, f"/visits/{visit}/confirm/", {}, about=visit)


def finish_visit(mark: str, visit: int, task: int) -> Deed:
    """Finish a visit whose one task is done."""
    return Deed(
        "finish", mark, f"/visits/{visit}/finish/", {"ended_at": "09:30", f"task_{task}": "done"}, about=visit
    )


def photo_of(mark: str, record: str) -> Deed:
    """Send a photo of a record that a phone sent before."""
    made, content = key(), BytesIO()
    Image.new("RGB", (64, 48), "tan").save(content, "PNG")
    files = {"photo": ("p.png", content.getvalue(), "image/png")}
    return Deed("photo", mark, "/field/photos/", {"key": made, "record": record}, made, files=files)


def hand_in(mark: str, rows: list[dict[str, Any]]) -> Deed:
    """Hand a file of units in on the page; the clock or a worker applies it."""
    made = key()
    lines = [",".join(rows[0]), *(",".join(str(value) for value in row.values()) for row in rows)]
    files = {"units": (f"{mark}.csv", "\n".join(lines).encode(), "text/csv")}
    data = {"idempotency_key": made, "care_by": "us", "keep_good": "on"}
    return Deed("file", mark, "/imports/new/", data, made, files=files, wanted=len(rows))


MAKE: dict[str, Callable[[str, Plot, int], Deed]] = {
    "call": log_call,
    "finding": record_finding,
    "phone finding": phone_finding,
    "phone work": phone_work,
    "work": record_work,
    "part": replace_part,
    "customer": add_customer,
    "unit": add_unit,
    "change customer": change_customer,
    "change site": change_site,
}


def marks() -> Iterator[str]:
    """Give marks that no other run has; several threads may ask at once, which a generator forbids."""
    return map(f"m{uuid4().hex[:6]}x{{}}".format, count(1))
