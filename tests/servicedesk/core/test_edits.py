"""Two people with one form open: nothing that either of them stored or typed is lost in silence."""

from __future__ import annotations

import html
import re
from datetime import timedelta
from html.parser import HTMLParser
from typing import Any

import pytest
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from schedules.models import MaintenanceTask
from servicedesk.accounts.models import User
from servicedesk.calls.forms import ChangeCallForm
from servicedesk.calls.models import Call
from servicedesk.calls.operations import change_call
from servicedesk.core.edits import OPENED_WITH, apply_edit_or_report, as_opened
from tests.every_address import ALL, OPEN, SIGNED_IN
from tests.factories import (
    CallFactory,
    ConstructionFactory,
    ConstructionPartFactory,
    CustomerFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    UserFactory,
    VisitFactory,
)
from units.models import Construction, Customer

pytestmark = pytest.mark.django_db

EDITS = {
    "calls:change_call": ("words", "It binds", "It rattles"),
    "calls:change_finding": ("note", "seen twice", "seen once"),
    "accounts:person": ("phone", "555 0100", "555 0101"),
    "schedules:change_maintenance_rule": ("note", "Wipe it first.", "Oil it after."),
    "schedules:change_notification_text": ("title", "Your visit", "We are coming"),
    "schedules:change_terms": ("begins_0", "07:30", "06:30"),
    "schedules:change_visit": ("note", "Ring twice", "Ring once"),
    "schedules:customer_email_preference": ("what", "nothing", "all"),
    "schedules:weather": ("mon", "55 °F", "57 °F"),
    "units:change_customer": ("note", "Calls at noon", "Calls at night"),
    "units:change_reference": ("note", "Sold since spring", "Sold since fall"),
    "units:change_site": ("access_notes", "The dog is tame", "The gate sticks"),
    "units:change_unit": ("place", "left of the door", "right of the door"),
    "units:end_observation": ("until_on", "2026-11-20", "2026-11-21"),
}
"""Every form that changes a record: a field of it, and two values for it."""

ONE_STEP = "It says one thing that happens now; the operation refuses where the record no longer allows it."
ADDS = "It makes a new record."
OTHERS = {
    "calls:call": ONE_STEP,
    "calls:set_unit": "It stores one choice, made on purpose.",
    "field:finish": ONE_STEP,
    "field:unit": ADDS,
    "field:work": ADDS,
    "privacy:anonymize_customer": ONE_STEP,
    "office:finish_visit": ONE_STEP,
    "accounts:person_password": "It stores one new password, and shows none.",
    "reports:findings": "It makes tasks.",
    "reports:flag": "It makes tasks.",
    "schedules:agreed_times": ADDS,
    "schedules:ask_customers": "It asks about each visit as it stood on the page, and skips what changed.",
    "schedules:calendars": ADDS,
    "schedules:cancel_task": ONE_STEP,
    "schedules:cancel_visit": ONE_STEP,
    "schedules:care_by": "It stores one choice for the sites ticked, made on purpose.",
    "schedules:complete_task": ONE_STEP,
    "schedules:let_task_wait": ONE_STEP,
    "schedules:move_visit": ONE_STEP,
    "schedules:week_sheet": ONE_STEP,
    "schedules:working_times": ADDS,
    "units:add_reference": ADDS,
    "units:change_owner": ONE_STEP,
    "units:remove_unit": ONE_STEP,
    "units:take_out": ONE_STEP,
    "units:begin_observation": ADDS,
}
"""Forms that ask for values and overwrite none that somebody else may have stored, and why."""


class Reader(HTMLParser):
    """Reads the posted forms of a page: by name what a browser sends where nobody touched anything."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.forms: list[dict[str, list[str]]] = []
        self.asks: list[bool] = []
        self.inside, self.name, self.text = False, "", ""
        self.options: list[tuple[str, bool]] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        name, kind = given.get("name", ""), given.get("type", "text")
        if tag == "form":
            self.inside = given.get("method", "get").lower() == "post"
            if self.inside:
                self.forms.append({})
                self.asks.append(False)
        elif not self.inside:
            return
        elif tag == "option":
            self.options.append((given.get("value", ""), "selected" in given))
        elif tag in ("select", "textarea"):
            self.name, self.text, self.options, self.asks[-1] = name, "", [], True
        elif tag == "input" and name:
            self.asks[-1] |= kind != "hidden"
            ticks = kind in ("checkbox", "radio")
            if not ticks or "checked" in given:
                self.forms[-1].setdefault(name, []).append(given.get("value", "on" if ticks else ""))

    def handle_data(self, data: str) -> None:
        self.text += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.inside = False
        elif self.inside and tag == "textarea":
            self.forms[-1][self.name] = [self.text.removeprefix("\n").replace("\n", "\r\n")]
        elif self.inside and tag == "select" and self.options:
            picked = [value for value, picked in self.options if picked] or [self.options[0][0]]
            self.forms[-1].setdefault(self.name, []).extend(picked)


def opened(client: Client, address: str) -> dict[str, list[str]]:
    """Open a page with a form that changes a record, and give what a browser would send."""
    return marked(client.get(address).content.decode())


def marked(page: str) -> dict[str, list[str]]:
    """Give the form of a page that carries marks."""
    [form] = [form for form in Reader(page).forms if OPENED_WITH in form]
    return {**form, "store": ["1"]}


def store(client: Client, address: str, form: dict[str, Any]) -> None:
    """Send a form that must be stored."""
    answer = client.post(address, form)
    assert answer.status_code == 302, re.findall(r'(?s)class="wrongs".*?</div>', answer.content.decode())


@pytest.fixture
def two(demo: dict[str, User]) -> tuple[Client, Client]:
    """Two owners, each in a browser."""
    other = UserFactory(name="Olive Testwell")
    other.groups.set(demo["owner"].groups.all())
    clients = Client(), Client()
    clients[0].force_login(other)
    clients[1].force_login(demo["owner"])
    return clients


def test_every_form_that_asks_for_values_is_known(two: tuple[Client, Client], doors: dict[str, str]) -> None:
    """A form that changes a record and carries no marks fails here: see `servicedesk.core.edits`."""
    edits, others = set(), set()
    for name in set(ALL) - OPEN - SIGNED_IN:
        answer = two[0].get(doors[name])
        if answer.status_code != 200 or "html" not in answer["Content-Type"]:
            continue
        reader = Reader(answer.content.decode())
        for form, asks in zip(reader.forms, reader.asks, strict=True):
            if OPENED_WITH in form:
                edits.add(name)
            elif asks and "idempotency_key" not in form:
                others.add(name)
    assert edits == set(EDITS)
    assert " ".join(sorted(others)) == " ".join(sorted(OTHERS))


@pytest.mark.parametrize("name", EDITS)
def test_what_the_other_stored_is_not_overwritten_by_who_action_not_touch_it(
    two: tuple[Client, Client], doors: dict[str, str], name: str
) -> None:
    address, (field, value, _) = doors[name], EDITS[name]
    first, second = (opened(client, address) for client in two)
    store(two[0], address, {**first, field: value})
    answer = two[1].post(address, second)
    page = answer.content.decode()
    assert answer.status_code == 422
    assert ("Olive Testwell" if name != "schedules:weather" else "Somebody") in page
    assert "here meanwhile" in page
    assert marked(page)[field] == [value]
    assert opened(two[0], address)[field] == [value]
    store(two[1], address, marked(page))
    assert opened(two[0], address)[field] == [value]


@pytest.mark.parametrize("name", EDITS)
def test_who_typed_something_else_sees_both_and_decides(
    two: tuple[Client, Client], doors: dict[str, str], name: str
) -> None:
    address, (field, theirs, mine) = doors[name], EDITS[name]
    if name == "schedules:customer_email_preference":
        theirs, mine = "visits", "nothing"
    first, second = (opened(client, address) for client in two)
    store(two[0], address, {**first, field: theirs})
    answer = two[1].post(address, {**second, field: mine})
    page = answer.content.decode()
    assert answer.status_code == 422
    assert marked(page)[field] == [mine]
    assert "What you typed is still in the field" in html.unescape(page)
    assert opened(two[0], address)[field] == [theirs]
    store(two[1], address, marked(page))
    assert opened(two[0], address)[field] == [mine]


@pytest.mark.parametrize("name", EDITS)
def test_an_untouched_form_is_stored_without_a_question(
    two: tuple[Client, Client], doors: dict[str, str], name: str
) -> None:
    address = doors[name]
    store(two[0], address, opened(two[0], address))


def test_two_tabs_of_one_person_are_two_forms(as_scheduler: Client) -> None:
    customer = CustomerFactory()
    address = reverse("units:change_customer", args=[customer.pk])
    first, second = opened(as_scheduler, address), opened(as_scheduler, address)
    as_scheduler.post(address, {**first, "phone": "555 0100"})
    answer = as_scheduler.post(address, {**second, "note": "Rings back"})
    page = html.unescape(answer.content.decode())
    assert (answer.status_code, "You, in another window," in page) == (422, True)
    store(as_scheduler, address, marked(page))
    customer.refresh_from_db()
    assert (customer.phone, customer.note) == ("555 0100", "Rings back")


def test_a_form_without_marks_or_with_broken_ones_is_stored(as_scheduler: Client) -> None:
    """A page that was opened before an upgrade carries none."""
    customer = CustomerFactory()
    address = reverse("units:change_customer", args=[customer.pk])
    for marks in ("", "{", "[]", '{"name": 3}'):
        entries = {"name": f"Ada Vole {len(marks)}", "opened_with": marks}
        assert as_scheduler.post(address, entries).status_code in (302, 422)
    assert Customer.objects.get(pk=customer.pk).name == "Ada Vole 2"


def test_of_many_ticks_only_the_other_ones_are_named(two: tuple[Client, Client]) -> None:
    site = SiteFactory()
    visit = VisitFactory(site=site, starts_at=timezone.now() + timedelta(days=3))
    tasks = [TaskFactory(unit=UnitFactory(site=site), reason=f"Look at sill {number}") for number in range(8)]
    for task in tasks[:7]:
        visit.visit_tasks.create(task=task)
        MaintenanceTask.objects.filter(pk=task.pk).update(state="in-process")
    address = reverse("schedules:change_visit", args=[visit.pk])
    first, second = (opened(client, address) for client in two)
    ticked = {*first["tasks"], str(tasks[7].pk)} - {str(tasks[0].pk)}
    store(two[0], address, {**first, "tasks": sorted(ticked)})
    page = html.unescape(two[1].post(address, {**second, "note": "Mind the dog"}).content.decode())
    words = "saved other ticks (with “Look at sill 7”, without “Look at sill 0”) here meanwhile."
    assert words in page
    store(two[1], address, marked(page))
    assert {entry.task for entry in visit.visit_tasks.all()} == set(tasks[1:])


def test_parts_of_a_construction_that_the_other_changed_are_told(two: tuple[Client, Client]) -> None:
    construction: Construction = ConstructionFactory()
    part = ConstructionPartFactory(construction=construction)
    address = reverse("units:change_reference", args=["constructions", construction.pk])
    first, second = (opened(client, address) for client in two)
    [pieces] = [name for name in first if re.fullmatch(r"parts-0-pieces", name)]
    store(two[0], address, {**first, pieces: "7"})
    answer = two[1].post(address, second)
    page = html.unescape(answer.content.decode())
    assert (answer.status_code, f"7 {part.component_type}" in page) == (422, True)
    part.refresh_from_db()
    assert part.pieces == 7


def test_what_the_form_does_not_show_is_not_taken_back(owner: User) -> None:
    """Somebody named the unit of a call between the reading of the call and the storing of its words."""
    call = CallFactory()
    entries = {"words": "It binds", "urgency": call.urgency, "symptom": call.symptom}
    form = as_opened(ChangeCallForm(entries, instance=Call.objects.get(pk=call.pk)))
    unit = UnitFactory(site=call.site)
    Call.objects.filter(pk=call.pk).update(unit=unit)

    def keep() -> Call:
        return change_call(form.instance, by=owner, at=timezone.now())

    assert apply_edit_or_report(form, keep, record=form.instance, by=owner)
    call.refresh_from_db()
    assert (call.words, call.unit) == ("It binds", unit)
