"""Each form that a page shows is one that a browser presses in a test, and may be sent by who sees it."""

from __future__ import annotations

import re
from pathlib import Path
from urllib.parse import urlsplit

import pytest
from django.conf import settings
from django.test import Client
from django.urls import resolve
from django.utils import timezone

from schedules.models import Visit
from schedules.notifications.links import opt_out_token
from servicedesk.accounts.models import Role, User
from tests.browser.every_form.places import PLACES
from tests.browser.every_form.recipes import RECIPES
from tests.browser.every_form.test_questions import ASKED
from tests.every_address import ALL, OPEN, address_of, shown_records
from tests.faults.sent_records import report_address
from tests.read_forms import read_forms
from units.labels import labels_for
from units.models import Customer, Unit

pytestmark = [pytest.mark.django_db, pytest.mark.long]

BY_HAND = {
    "accounts:sign_in": "test_accounts.py",
    "accounts:code": "test_accounts.py",
    "accounts:sign_out": "test_accounts.py",
    "accounts:welcome": "test_accounts.py",
    "accounts:me": "test_accounts.py",
    "accounts:mfa": "test_accounts.py",
    "accounts:no_mfa": "test_accounts.py",
    "accounts:end_user_session": "test_accounts.py",
    "accounts:end_other_user_sessions": "test_accounts.py",
    "schedules:move_visit": "test_by_hand.py",
}
IN_THE_FIELD = {
    "field:finish": "the phone's script keeps it in the outbox and sends it: tests/browser/test_porch.py",
    "field:work": "the same: tests/browser/test_porch.py",
    "field:stop": "the phone's script keeps it in the outbox and sends it: tests/browser/test_field.py",
    "field:unit": "the same, with findings, work and photos: tests/browser/test_field.py, test_recording.py",
}
PRESSED = {name.split(" ")[0] for name in RECIPES} | set(BY_HAND) | set(IN_THE_FIELD)


def pages_of(person: User | None) -> list[tuple[str, str]]:
    """Give name and address of every page that somebody may open with a record of the demo company."""
    if person is not None:
        records = shown_records()
        return [(name, address_of(name, records)) for name in sorted(ALL) if name not in OPEN]
    visit = Visit.objects.open().filter(site__ownerships__until_on=None).order_by("pk")[0]
    unit = Unit.objects.in_place().order_by("pk")[0]
    code = labels_for([unit], by=None, at=timezone.now())[0].code
    customer = Customer.objects.order_by("pk")[0].pk
    return [
        ("accounts:sign_in", "/sign-in/"),
        ("portal:customer_visit", f"/your-visit/{report_address(visit)}/"),
        ("portal:label", f"/w/{code}/"),
        ("portal:email_preference", f"/your-mail/{opt_out_token(customer)}/"),
    ]


@pytest.mark.parametrize("who", ["nobody", *Role.values])
def test_a_form_that_a_page_shows_is_pressed_and_may_be_sent(demo: dict[str, User], who: str) -> None:
    person = demo[who] if who != "nobody" else None
    client, wrong, seen = Client(), [], 0
    if person is not None:
        client.force_login(person)
    for name, address in pages_of(person):
        answer = client.get(address)
        if answer.status_code != 200 or not answer["Content-Type"].startswith("text/html"):
            continue
        for form in read_forms(answer.content.decode(), address):
            seen += 1
            if form.method == "get":
                wrong += [f"{name} asks something that no test asks"] if name not in ASKED else []
                continue
            target = resolve(urlsplit(form.address).path).view_name
            needs = getattr(ALL[target].callback, "opens_to", None)
            if target not in PRESSED:
                wrong.append(f"{name} has a form for {target}, which no test presses")
            if needs is not None and (person is None or not person.may_act_as(needs)):
                wrong.append(f"{name} shows {who} a form for {target}, which {who} may not send")
    assert sorted(set(wrong)) == []
    assert seen > (3 if person is None else 20)


def test_a_form_that_a_template_holds_is_pressed() -> None:
    """Some forms show only in a state that no record of the demo company is in."""
    text = "\n".join(path.read_text() for path in Path(settings.BASE_DIR, "templates").rglob("*.html"))
    named = set(re.findall(r'<form[^>]* action="{% url "([a-z_:]+)"', text))
    assert len(named) > 25
    assert named - PRESSED == set()
    assert set(PLACES) <= set(RECIPES)
