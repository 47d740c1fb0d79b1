"""The whole journey of the three users in a real browser, from files to figures, at both widths."""

from __future__ import annotations

import urllib.request
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.contrib.auth.models import Group
from django.core.management import call_command
from django.utils import timezone
from playwright.sync_api import Page, expect

from servicedesk.accounts.models import Role, User
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.factories import UserFactory
from tests.schedules.ical_linter import lint
from tests.schedules.readers import read_with_icalendar

pytestmark = [pytest.mark.browser, pytest.mark.each_database, pytest.mark.django_db(transaction=True)]

UNITS = (
    "unit,site,customer,address,postcode,place,construction,panels,width,height,finish,above_grade,"
    "installed_on\n"
    "H-1,HW3,Ida Probeson,3 Heron Way,MB-104,north wall,rigid liner,4,46,70,dark,40,2019-04-02\n"
    "H-2,HW3,Ida Probeson,3 Heron Way,MB-104,east wall,flexible liner,3,35 7/8,1499 mm,white,40,2019-04-02\n"
    "Q-1,QL9,Bo Sampler,9 Quarry Lane,MB-105,porch,flexible liner,4,46,70,dark,12,2020-05-06\n"
    "Q-2,QR1,Cy Instance,1 Quince Road,MB-105,porch,flexible liner,4,46,70,dark,12,2020-05-06\n"
)
HISTORY = (
    "unit,on,what,mode,where,failure,repeat,work,minutes,note,ref\n"
    "Q-1,2023-07-01,call,KEY-01,panel 2 corner UL,yes,,replaced,25,,1\n"
    "Q-2,2024-07-01,call,KEY-01,panel 1 corner LR,yes,,replaced,25,,2\n"
)


@pytest.fixture
def people(live_server: Any) -> None:
    """Somebody of each role, and the reference data."""
    call_command("load_reference", verbosity=0)
    for name, role in (("tess", Role.TECHNICIAN), ("sol", Role.SCHEDULER), ("olive", Role.OWNER)):
        person: User = UserFactory(username=name, name=f"{name.title()} Example")
        person.set_password(PASSWORD)
        person.save()
        person.groups.add(Group.objects.get_or_create(name=role.value)[0])


def change_hands(page: Page, base: str, username: str) -> None:
    """Sign out and let somebody else sign in."""
    page.goto(f"{base}/me/")
    page.get_by_role("button", name="Sign out").click()
    page.wait_for_url(f"{base}/sign-in/*")
    sign_in(page, base, username)


def look(page: Page, axe_source: str) -> None:
    """The page fits the window and axe-core has nothing to say."""
    assert overflow(page) <= 0, page.url
    assert violations(page, axe_source) == [], page.url


def test_from_files_to_figures(
    page: Page, live_server: Any, people: None, axe_source: str, tmp_path: Path
) -> None:
    base = live_server.url
    (tmp_path / "units.csv").write_text(UNITS)
    (tmp_path / "history.csv").write_text(HISTORY)

    sign_in(page, base, "olive")  # the owner brings the fleet in
    look(page, axe_source)
    page.goto(f"{base}/imports/new/")
    look(page, axe_source)
    page.get_by_label("Units").set_input_files(tmp_path / "units.csv")
    page.get_by_label("History").set_input_files(tmp_path / "history.csv")
    page.get_by_label("A trial run").uncheck()
    page.get_by_label("Maintenance at new sites").select_option("us")
    page.get_by_role("button", name="Check the files").click()
    page.wait_for_url(f"{base}/imports/*/")
    look(page, axe_source)
    call_command("clock", once=True)
    page.goto(page.url)
    expect(page.get_by_text("The units are saved.")).to_be_visible()
    look(page, axe_source)
    page.goto(f"{base}/figures/rates/?part=corner")
    look(page, axe_source)
    before = page.get_by_role("row", name="plastic corner key").inner_text()

    change_hands(page, base, "sol")  # somebody calls; the scheduler logs it
    look(page, axe_source)
    page.goto(f"{base}/calls/log/")
    page.get_by_label("Name, street, phone or unit code").fill("quarry")
    page.get_by_role("button", name="Find").click()
    page.get_by_role("link", name="9 Quarry Lane").first.click()
    page.get_by_label("What is wrong, in their words").fill("A corner came apart again, on the other side.")
    page.get_by_role("radio", name="panel falls out or comes loose").check()
    page.get_by_role("radio", name="Q-1").check()
    for question in (
        page.get_by_role("group").filter(has=page.get_by_role("radio", name="No", exact=True)).all()
    ):
        question.get_by_role("radio", name="No", exact=True).check()
    page.get_by_role("radio", name="something else").check()
    page.get_by_role("radio", name="this week").check()
    page.get_by_role("button", name="Log the call").click()
    page.wait_for_url(f"{base}/calls/*/")
    look(page, axe_source)
    call_address = page.url

    page.goto(f"{base}/visits/plan/?site=" + site_key("QL9"))
    look(page, axe_source)
    tomorrow = timezone.localdate() + timedelta(days=1)
    working_day = tomorrow + timedelta(days=max(0, 7 - tomorrow.weekday()) if tomorrow.weekday() > 4 else 0)
    page.get_by_label("Day", exact=True).fill(working_day.isoformat())
    page.get_by_label("Starts at").fill("10:00")
    page.get_by_label("Tess Example").check()
    page.get_by_role("button", name="Save as proposed").click()
    page.wait_for_url(f"{base}/visits/*/")
    look(page, axe_source)
    page.get_by_role("button", name="Confirm visit").click()
    expect(page.get_by_text("confirmed").first).to_be_visible()

    change_hands(page, base, "tess")  # the technician takes the calendar along and records what is found
    expect(page.get_by_text("9 Quarry Lane").first).to_be_visible()
    look(page, axe_source)
    page.goto(f"{base}/calendars/")
    page.get_by_role("button", name="Make my link").click()
    feed_address = page.locator("#address1").input_value().replace(settings.SITE_URL, base)
    look(page, axe_source)
    body = urllib.request.urlopen(feed_address).read()  # noqa: S310  (our own server on loopback)
    assert lint(body) == []
    assert [event.summary for event in read_with_icalendar(body)]

    page.goto(call_address)
    look(page, axe_source)
    page.get_by_role("link", name="Record a finding").first.click()
    look(page, axe_source)
    page.get_by_label("What is wrong").select_option(label="cracked")
    page.get_by_role("combobox", name="Panel").select_option("3")
    page.get_by_role("combobox", name="Corner").select_option("LR")
    page.get_by_role("button", name="Save", exact=True).click()
    page.wait_for_url(call_address)
    expect(page.get_by_text("cracked").first).to_be_visible()
    look(page, axe_source)

    change_hands(page, base, "olive")  # and the owner sees it in the figures
    page.goto(f"{base}/figures/rates/?part=corner")
    after = page.get_by_role("row", name="plastic corner key").inner_text()
    assert before != after
    look(page, axe_source)


def site_key(code: str) -> str:
    """The key of a site in addresses."""
    from units.models import Site

    return str(Site.objects.get(code=code).pk)
