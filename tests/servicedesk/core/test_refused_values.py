"""What can't be meant is refused beside its field; what was stored before stays changeable."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from importlib import import_module
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django import forms
from django.conf import settings
from django.db import models
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from servicedesk.calls.models import Call
from servicedesk.core.rules.new_values import LONGEST_TEXT, LimitedText
from servicedesk.core.values.phones import dialed, phone_fault
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    ConstructionFactory,
    CustomerFactory,
    FailureModeFactory,
    SiteFactory,
    UnitFactory,
)
from units.models import ComponentType, Customer, Site, Unit

pytestmark = pytest.mark.django_db


def adding(kind: str) -> str:
    """The page on which a row of the reference data is added."""
    return reverse("units:add_reference", args=[kind])


def unit_entries(**others: Any) -> dict[str, Any]:
    return {
        "code": "S900-1",
        "installed_on": "2020-03-02",
        "age_known": "on",
        "idempotency_key": uuid4(),
        **others,
    }


def said(client: Client, url: str, entries: dict[str, Any]) -> str:
    """Send a form that comes back, and give the page."""
    answer = client.post(url, entries)
    assert answer.status_code == 422, answer.status_code
    return answer.content.decode()


def test_a_unit_can_not_be_installed_in_years_to_come(as_scheduler: Client) -> None:
    site = SiteFactory.create()
    ahead = timezone.localdate() + timedelta(days=1)
    page = said(
        as_scheduler, reverse("units:add_unit", args=[site.pk]), unit_entries(installed_on=ahead.isoformat())
    )
    assert "is still to come" in page
    assert not Unit.objects.exists()
    unit = UnitFactory.create(site=site, code="U1")
    page = said(as_scheduler, f"/units/{unit.pk}/change/", unit_entries(code="U1", installed_on="2031-05-04"))
    assert "May 4, 2031 is still to come" in page


def test_a_unit_stored_with_such_a_day_can_still_be_changed(as_scheduler: Client) -> None:
    unit = UnitFactory.create(code="U1", installed_on=timezone.localdate() + timedelta(days=900))
    entries = unit_entries(code="U1", installed_on=unit.installed_on.isoformat(), place="north wall")
    assert as_scheduler.post(f"/units/{unit.pk}/change/", entries).status_code == 302
    unit.refresh_from_db()
    assert unit.place == "north wall"


@pytest.mark.parametrize("code", ["s900-1", "S900-1 ", " s900-1"])
def test_codes_of_units_differ_in_more_than_capitals(as_scheduler: Client, code: str) -> None:
    unit = UnitFactory.create(code="S900-1")
    said(as_scheduler, reverse("units:add_unit", args=[unit.site_id]), unit_entries(code=code))
    other = UnitFactory.create(code="X1")
    said(as_scheduler, f"/units/{other.pk}/change/", unit_entries(code=code))
    assert sorted(Unit.objects.values_list("code", flat=True)) == ["S900-1", "X1"]


def test_codes_of_sites_differ_in_more_than_capitals(as_scheduler: Client) -> None:
    SiteFactory.create(code="Probe-1")
    page = said(as_scheduler, "/sites/add/", {"code": "probe-1", "care_by": "us", "idempotency_key": uuid4()})
    assert "“Probe-1” is there already" in page
    assert Site.objects.count() == 1


def test_twins_stored_before_can_still_be_changed(as_scheduler: Client) -> None:
    one, other = UnitFactory.create(code="S900-1"), UnitFactory.create(code="s900-1")
    for unit in (one, other):
        answer = as_scheduler.post(f"/units/{unit.pk}/change/", unit_entries(code=unit.code, place="west"))
        assert answer.status_code == 302
    assert Unit.objects.filter(place="west").count() == 2


@pytest.mark.parametrize("name", ["Welded Corner", "welded  corner", " WELDED CORNER "])
def test_types_differ_in_more_than_capitals_and_blanks(as_owner: Client, name: str) -> None:
    ComponentTypeFactory.create(name="welded corner", kind="corner")
    said(
        as_owner,
        adding("types"),
        {"name": name, "kind": "corner", "in_use": "on"},
    )
    assert ComponentType.objects.count() == 1


def test_constructions_and_failure_modes_differ_in_more_than_capitals(as_owner: Client) -> None:
    ConstructionFactory.create(name="stepped track", code="B")
    page = said(
        as_owner,
        adding("constructions"),
        {"name": "Stepped Track", "code": "b"},
    )
    assert page.count("is there already") >= 2
    FailureModeFactory.create(code="T-BIND", name="binds", kind="track")
    page = said(
        as_owner,
        adding("modes"),
        {"code": "t-bind", "name": "Binds", "kind": "track"},
    )
    assert page.count("is there already") >= 2


@pytest.mark.parametrize(
    ("typed", "stored"), [("55", "12.8"), ("55 °F", "12.8"), ("13 C", "13.0"), ("13°c", "13.0"), ("", None)]
)
def test_a_temperature_is_in_fahrenheit_where_lengths_are_inches(
    as_scheduler: Client, typed: str, stored: str | None
) -> None:
    unit = UnitFactory.create(code="U1")
    entries = unit_entries(code="U1", day_temperature_c=typed)
    assert as_scheduler.post(f"/units/{unit.pk}/change/", entries).status_code == 302
    unit.refresh_from_db()
    assert (None if unit.day_temperature_c is None else str(unit.day_temperature_c)) == stored
    if typed.startswith("55"):
        assert "55 °F" in as_scheduler.get(unit.get_absolute_url()).content.decode()
        assert 'value="55 °F"' in as_scheduler.get(f"/units/{unit.pk}/change/").content.decode()


def test_a_temperature_is_in_celsius_where_lengths_are_millimeters(
    as_scheduler: Client, settings: Any
) -> None:
    settings.LENGTH_UNIT = "mm"
    unit = UnitFactory.create(code="U1")
    page = said(as_scheduler, f"/units/{unit.pk}/change/", unit_entries(code="U1", day_temperature_c="75"))
    assert "no weather for fitting" in page
    entries = unit_entries(code="U1", day_temperature_c="13")
    assert as_scheduler.post(f"/units/{unit.pk}/change/", entries).status_code == 302
    assert "13 °C" in as_scheduler.get(unit.get_absolute_url()).content.decode()


def test_a_temperature_stored_before_can_stay(as_scheduler: Client) -> None:
    unit = UnitFactory.create(code="U1", day_temperature_c=75)
    page = as_scheduler.get(f"/units/{unit.pk}/change/").content.decode()
    assert 'value="167 °F"' in page
    entries = unit_entries(code="U1", day_temperature_c="167 °F", place="west")
    assert as_scheduler.post(f"/units/{unit.pk}/change/", entries).status_code == 302
    unit.refresh_from_db()
    assert (str(unit.day_temperature_c), unit.place) == ("75.0", "west")


@pytest.mark.parametrize("phone", ["555 0100 ask for Ann", "ask for Ann", "--", "call me", "5"])
def test_a_phone_is_a_number(as_scheduler: Client, phone: str) -> None:
    page = said(
        as_scheduler, "/customers/add/", {"name": "Ada Probeson", "phone": phone, "idempotency_key": uuid4()}
    )
    assert "is not only a number" in page
    assert not Customer.objects.exists()
    call = CallFactory.create(phone="")
    entries = {"phone": phone, "words": "x", "symptom": "other", "urgency": "this_week"}
    assert "is not only a number" in said(as_scheduler, f"/calls/{call.pk}/change/", entries)


def test_a_phone_stored_before_can_stay_and_links_to_its_number(as_scheduler: Client) -> None:
    customer = CustomerFactory.create(name="Ada Probeson", phone="555 0100 ask for Ann")
    page = as_scheduler.get(customer.get_absolute_url()).content.decode()
    assert '<a href="tel:5550100">555 0100 ask for Ann</a>' in page
    entries = {"name": "Ada Q Probeson", "phone": customer.phone}
    assert as_scheduler.post(f"/customers/{customer.pk}/change/", entries).status_code == 302
    worded = CustomerFactory.create(phone="ask for Ann")
    assert "tel:" not in as_scheduler.get(worded.get_absolute_url()).content.decode()


@pytest.mark.parametrize(
    ("typed", "dials"),
    [
        ("555-010-0144", "5550100144"),
        ("+1 (555) 010-0144", "+15550100144"),
        ("555 0144 ext. 12", "5550144;ext=12"),
        ("555 0144 x12", "5550144;ext=12"),
        ("ask for Ann", ""),
        ("", ""),
        ("555 0100 ask for Ann at 12", "5550100"),
    ],
)
def test_a_link_dials_digits_only(typed: str, dials: str) -> None:
    assert dialed(typed) == dials
    assert (phone_fault(typed) == "") == ("Ann" not in typed)


def test_no_page_makes_a_phone_link_by_hand() -> None:
    folder = Path(settings.BASE_DIR) / "templates"
    assert [path.name for path in folder.rglob("*.html") if "tel:" in path.read_text()] == []


@pytest.mark.parametrize("length", [LONGEST_TEXT + 1, 20_000])
def test_a_text_beyond_its_limit_comes_back_whole(as_scheduler: Client, length: int) -> None:
    site = SiteFactory.create()
    entries = {"words": "w" * length, "symptom": "other", "urgency": "this_week", "idempotency_key": uuid4()}
    page = said(as_scheduler, f"/calls/log/{site.pk}/", entries)
    assert f"These are {length:,} characters, and 4,000 are the most here" in page
    assert "w" * length in page
    assert not Call.objects.exists()


def test_a_text_at_its_limit_is_taken_with_its_lines(as_scheduler: Client) -> None:
    unit = UnitFactory.create(code="U1")
    text = "\r\n".join(["w" * 99] * 40)
    assert len(text) > LONGEST_TEXT
    entries = unit_entries(code="U1", note=text)
    assert as_scheduler.post(f"/units/{unit.pk}/change/", entries).status_code == 302


def test_a_long_text_stored_before_can_stay(as_scheduler: Client) -> None:
    unit = UnitFactory.create(code="U1", note="line\n" * 2_000)
    entries = unit_entries(code="U1", note="line\r\n" * 2_000, place="west")
    assert as_scheduler.post(f"/units/{unit.pk}/change/", entries).status_code == 302
    assert Unit.objects.get().place == "west"


FORMS = [
    *(
        "units.forms",
        "units.catalog.forms",
        "schedules.forms",
        "schedules.plans.forms",
        "schedules.notifications.views",
    ),
    *("servicedesk.calls.forms", "servicedesk.calls.views.photos", "servicedesk.portal.visit_views"),
    *("servicedesk.office.finishing", "servicedesk.portal.label_views", "servicedesk.privacy.views"),
    *("servicedesk.imports.views", "servicedesk.accounts.forms", "servicedesk.office.history_views"),
    *(
        "servicedesk.reports.forms",
        "servicedesk.reports.maintenance.forms",
        "schedules.maintenance.terms_views",
    ),
]


def every_form() -> Iterator[type[forms.BaseForm]]:
    """Every form of ours, found among the children of Django's."""
    for name in FORMS:
        import_module(name)
    waiting: list[type[forms.BaseForm]] = [forms.BaseForm]
    while waiting:
        for child in waiting.pop().__subclasses__():
            waiting.append(child)
            if child.__module__.split(".")[0] in {"units", "schedules", "servicedesk"}:
                yield child


def test_every_field_of_text_has_a_limit() -> None:
    classes = list(every_form())
    assert len(classes) > 40
    unlimited = {
        f"{form.__module__}.{form.__name__}.{name}"
        for form in classes
        for name, field in getattr(form, "base_fields", {}).items()
        if isinstance(field, forms.CharField)
        and field.max_length is None
        and not isinstance(field, forms.UUIDField)
    }
    assert unlimited == set()


WRITTEN_BY_THE_DESK = {
    "Batch.problem",
    "StagedProblem.reason",
    "UserSession.session_data",
    "Notification.body",
    "FigureRequest.problem",
}


def test_every_long_text_people_write_has_a_limit() -> None:
    from django.apps import apps

    unlimited = {
        f"{model.__name__}.{field.name}"
        for model in apps.get_models()
        if model.__module__.split(".")[0] in {"units", "schedules", "servicedesk"}
        for field in model._meta.fields
        if isinstance(field, models.TextField) and not isinstance(field, LimitedText)
    }
    assert unlimited == WRITTEN_BY_THE_DESK | {"ChangedField.before", "ChangedField.after"}
