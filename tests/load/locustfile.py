"""A scripted day: technicians sync, schedulers plan, owners read reports, calendars poll their feeds.

`run.py` starts this with the desk it has set up. Each request is named by its kind of page, and written with
its moment, time and error to the file that LOAD_RESULTS names. Minutes are minutes of the day, which passes
LOAD_PACE times as fast as a real one.
"""

from __future__ import annotations

import csv
import os
import random
import re
import time
from datetime import date, timedelta
from pathlib import Path
from typing import Any

from browsing import COMPANY, Person, Phone, links, some, ticked, values, wait
from locust import FastHttpUser, events, task

TODAY = date.fromisoformat(COMPANY["today"])
HARMLESS = ("stiff", "stiff_hot", "screen")
"""What callers tell that answers no question about safety with yes."""

STOP = r"/field/stops/\d+/"
UNIT = r"/field/units/\d+/"


class Technician(Phone):
    """Opens the day, keeps it on the phone, and goes from stop to stop: about one an hour."""

    fixed_count = COMPANY["numbers"]["technicians"]
    names = iter(COMPANY["technicians"])

    @task
    def stop_after_stop(self) -> None:
        """Look at the day, drive to the next stop, look at its units, record, finish."""
        page = self.look("today", "/field/")
        for address in links(page, f"{STOP}|{UNIT}"):
            self.look("offline copy", address)
        upcoming = links(page[page.find('class="next"') :], STOP) if 'class="next"' in page else []
        if not upcoming:
            wait(60)
            return
        wait(20)
        stop = self.look("stop", upcoming[0])
        visit = re.findall(r"\d+", upcoming[0])[0]
        for address in some(links(stop, UNIT), 2):
            self._at_unit(address, visit)
        self._finish(visit)
        wait(10)

    def _at_unit(self, address: str, visit: str) -> None:
        """Look at a unit, record what is there, and let the phone send it."""
        page = self.look("unit at the porch", address)
        about = {"unit": int(re.findall(r"\d+", address)[0]), "visit": int(visit)}
        modes = values(page, "mode")
        wait(10)
        token = self.token()
        if random.random() < 0.5 or not modes:
            self.record(token, "fine", about, again=random.random() < 0.1)
            self.record(token, "work", {**about, "work": "cleaned", "done_on": COMPANY["today"]})
            return
        body = {**about, "mode": random.choice(modes), "severity": "hinders", "panel": "1"}
        body |= {"found_on": COMPANY["today"], "note": "sticks at the top", "works": ["adjusted"]}
        key = self.record(token, "finding", body, again=random.random() < 0.2)
        if random.random() < 0.3:
            self.photo(token, key)

    def _finish(self, visit: str) -> None:
        """Say that all was done, or that time ran out where the desk asks more about it."""
        address = f"/visits/{visit}/finish/"
        page = self.look("finish a visit", address)
        tasks = set(re.findall(r'name="(task_\d+)"', page))
        data: dict[str, Any] = {"ended_at": values(page, "ended_at")}
        done = data | dict.fromkeys(tasks, "done")
        if not self.fill("finish a visit: send", address, page, done, may_refuse=True):
            self.fill("finish a visit: send", address, page, data | dict.fromkeys(tasks, "no_time"))


class Scheduler(Person):
    """Plans from the list of due work, takes calls, looks things up: a page every half minute."""

    fixed_count = COMPANY["numbers"]["schedulers"]
    names = iter(COMPANY["schedulers"])

    def read(self, kind: str, address: str) -> str:
        """Open a page and read it."""
        page = self.look(kind, address)
        wait(0.5)
        return page

    @task(3)
    def plan(self) -> None:
        """Go through the due work to a site, plan a visit there and confirm it."""
        page = self.read("due work", random.choice(["/due/", "/due/?origin=call", f"/due/?q={_street()}"]))
        if (later := links(page, r"\?[^\"]*after=[^\"]*")) and random.random() < 0.5:
            page = self.read("due work, a later page", f"/due/{later[0]}")
        sites = links(page, r"/visits/plan/\?site=\d+")
        if not sites:
            return
        address = random.choice(sites)
        self.read("site sheet", f"/sites/{address.split('=')[1]}/")
        page = self.read("plan a visit", address)
        data = {
            "day": str(TODAY + timedelta(days=random.randrange(8, 60))),
            "time": f"{random.randrange(8, 16):02}:{random.choice(('00', '15', '30', '45'))}",
            "technicians": some(values(page, "technicians"), 1),
            "tasks": ticked(page, "tasks") or values(page, "tasks")[:3],
            "note": "as agreed on the telephone",
        }
        where = self.fill("plan a visit: send", address, page, data, may_refuse=True)
        if where:
            page = self.read("visit", where)
            self.fill("confirm a visit: send", f"{where}confirm/", page, {})
            self.read("visit", where)

    @task(3)
    def take_call(self) -> None:
        """Find the caller's site, write down what they tell, and look at the call."""
        page = self.read("find a caller's site", f"/calls/log/?q={random.choice((_street, _unit, _owner))()}")
        sites = links(page, r"/calls/log/\d+/")
        if not sites:
            return
        address = random.choice(sites)
        page = self.read("log a call", address)
        data = {
            "reported_by": "Ada Probeson",
            "phone": "555-0142",
            "words": "The middle panel sticks in the afternoon.",
            "symptom": random.choice(HARMLESS),
            "urgency": "this_week",
            "unit": some([value for value in values(page, "unit") if value], 1),
        }
        questions = ("wont_stay_up", "guard_glass", "open_to_weather", "fall_risk")
        where = self.fill("log a call: send", address, page, data | dict.fromkeys(questions, "no"))
        if where:
            self.read("call", where)

    @task(3)
    def look_up(self) -> None:
        """Search the register by scraps, and open what is found."""
        page = self.read("search units", f"/units/?q={random.choice((_street, _unit, _owner))()}")
        for address in some(links(page, r"/units/\d+/"), 1):
            self.read("unit sheet", address)
        page = self.read("search sites", f"/sites/?q={random.choice((_street, _unit, _owner))()}")
        for address in some(links(page, r"/sites/\d+/"), 1):
            self.read("site sheet", address)
        self.read("search customers", f"/customers/?q={_owner()}")
        self.read("search calls", f"/calls/?q={_street()}")

    @task(2)
    def see_the_week(self) -> None:
        """Look at the rounds of the week, everyone's visits and somebody's round."""
        page = self.read("week sheet", "/week/")
        for address in some(links(page, r"/routes/\d+/[\d-]+/"), 1):
            self.read("round", address)
        self.read("week of visits", "/visits/?who=team")

    @task(1)
    def look_around(self) -> None:
        """Look at home, calls, calendars, letters and the care to come."""
        for kind, address in (
            ("home of a scheduler", "/"),
            ("calls", "/calls/"),
            ("calendars", "/calendars/"),
            ("notifications", "/letters/"),
            ("care ahead", "/care-ahead/"),
        ):
            self.read(kind, address)


class Owner(Person):
    """Reads the reports: a page a minute."""

    fixed_count = COMPANY["numbers"]["owners"]
    names = iter(COMPANY["owners"])
    pages = (
        ("home of an owner", "/"),
        ("figures", "/figures/"),
        ("rates", "/figures/rates/"),
        ("rates by failure", "/figures/rates/?by=mode"),
        ("rates of one kind", "/figures/rates/?part=track"),
        ("aging", "/figures/aging/?part=track"),
        ("lasting", "/figures/lasting/?part=track"),
        ("forecast", "/figures/forecast/"),
        ("maintenance", "/figures/maintenance/"),
        ("lots", "/figures/surveillance/"),
        ("failure log", "/figures/log/"),
        ("findings", "/figures/findings/"),
        ("predictions", "/figures/predictions/"),
        ("year report", "/figures/year/"),
    )

    @task
    def read_reports(self) -> None:
        """Go through the reports, beginning anywhere."""
        for kind, address in some_order(self.pages):
            self.look_patiently(kind, address)
            wait(1)


class Calendars(FastHttpUser):
    """The calendars of all technicians and of the team: each asks for its feed every quarter of an hour."""

    fixed_count = 1
    tags: dict[str, str] = {}

    @task
    def poll(self) -> None:
        """Ask for the next feed, telling which version is known."""
        for secret in COMPANY["secrets"]:
            self._ask("feed of visits", f"/calendar/{secret}.ics")
            wait(15 / (len(COMPANY["secrets"]) + 1))
        self._ask("feed of care", f"/calendar/{COMPANY['secrets'][0]}/due.ics")
        self._ask("feed of to-dos", f"/calendar/{COMPANY['secrets'][0]}/to-do.ics")

    def _ask(self, kind: str, address: str) -> None:
        headers = {"If-None-Match": self.tags.get(address, "")}
        with self.client.get(address, name=kind, headers=headers, catch_response=True) as answer:
            if answer.status_code in (200, 304):
                answer.success()
            else:
                answer.failure(f"{address[:20]} answered {answer.status_code}")
        self.tags[address] = (answer.headers or {}).get("ETag", "")


def some_order(pages: tuple[tuple[str, str], ...]) -> tuple[tuple[str, str], ...]:
    """Turn the pages so that they begin anywhere."""
    first = random.randrange(len(pages))
    return pages[first:] + pages[:first]


def _site() -> int:
    return random.randrange(COMPANY["numbers"]["units"] // 3)


def _street() -> str:
    return f"{_site()}%20Testing"


def _owner() -> str:
    return f"Probeson%20{_site()}"


def _unit() -> str:
    return f"U{random.randrange(COMPANY['numbers']['units']):06d}"


@events.init.add_listener
def write_results(environment: Any, **_: Any) -> None:
    """Write each request as it ends: moment, kind, milliseconds, error."""
    out = Path(os.environ["LOAD_RESULTS"]).open("w", newline="", buffering=1)  # noqa: SIM115 - open all day
    rows = csv.writer(out)

    @environment.events.request.add_listener
    def write(name: str, response_time: float, exception: Any, start_time: float, **_: Any) -> None:
        rows.writerow([start_time, name, response_time, str(exception or "")])

    @environment.events.user_error.add_listener
    def write_error(exception: Any, **_: Any) -> None:
        rows.writerow([time.time(), "script", 0, repr(exception)])
