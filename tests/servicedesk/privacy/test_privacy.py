"""A customer's data: handed out whole, erased for good, and forgotten in time. The windows' history stays."""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from uuid import uuid4

import pytest
from django.apps import apps
from django.db import models
from django.test import Client
from pytest_django import Settings

from schedules.models import CustomerAnswer, Notification, NotificationKind, Visit
from servicedesk.accounts.models import User, UserSession
from servicedesk.calls.models import Call, Finding, PhoneRecord
from servicedesk.calls.operations import close_call
from servicedesk.core.history import shown_values, write_change
from servicedesk.core.models import Batch, Change, ChangedField, Erasure
from servicedesk.core.rules.refusals import RuleViolation
from servicedesk.imports.models import InputFile, StagedCustomer, StagedProblem, StagedRow
from servicedesk.privacy.anonymize import NOBODY, anonymize_customer
from servicedesk.privacy.retention import apply_retention
from servicedesk.privacy.scrubbing import MARK, Scrubber
from tests.factories import (
    CallFactory,
    CustomerFactory,
    FindingFactory,
    InstalledPartFactory,
    OwnershipFactory,
    SiteFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
    WorkFactory,
)
from units.models import Customer, Site, Unit
from units.operations import change_record, save_change

AT = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)
NAME, EARLIER, CALLER = "Quillmar Tessavane", "Quillmar Obendrick", "Yorrick Tessavane"
PHONE, MOBILE, MAIL = "555 0142", "555-0199", "quillmar@tessavane.example"
LANE = "77 Thistledown Reach"
SECRETS = ("quillmar", "tessavane", "obendrick", "yorrick", "555 0142", "5550142", "555-0199", "5550199")


def everything() -> list[str]:
    """Every cell of text in the database, as "table.column: text"."""
    cells = []
    for model in apps.get_models():
        texts = [
            field
            for field in model._meta.concrete_fields
            if isinstance(field, models.CharField | models.TextField | models.JSONField)
        ]
        for row in model._base_manager.all():
            for field in texts:
                value = getattr(row, field.attname)
                text = value if isinstance(value, str) else json.dumps(value, ensure_ascii=False, default=str)
                cells.append(f"{model._meta.db_table}.{field.column}: {text}")
    return cells


def leased(*secrets: str) -> list[str]:
    """Cells that hold any of the words."""
    return [cell for cell in everything() if any(secret in cell.casefold() for secret in secrets)]


@pytest.fixture
def quillmar(scheduler: User) -> Customer:
    """A customer with a past in every corner of the desk, put there as operations and phones do it."""
    customer: Customer = CustomerFactory(name=EARLIER, phone=PHONE, email=MAIL, note="prefers mornings")
    customer.name = NAME
    change_record(customer, by=scheduler, at=AT)
    site = SiteFactory(
        address=LANE, access_notes="Key with Yorrick Tessavane", latitude="35.123456", longitude="-79.987654"
    )
    unit = UnitFactory(site=site, note="Tessavane porch, left")
    ownership = OwnershipFactory(site=site, customer=customer, from_on=date(2020, 1, 1))
    write_change(ownership, action="became owner", by=scheduler, at=AT, after=shown_values(ownership))
    write_change(unit, action="added", by=scheduler, at=AT, after=shown_values(unit))
    call = CallFactory(site=site, unit=unit, reported_at=AT, reported_by=CALLER, phone=MOBILE)
    call.words = f"{CALLER} says the track of Mrs Tessavane binds; call 555.0199"
    save_change(call, action="changed", by=scheduler, at=AT)
    close_call(call, by=scheduler, at=AT)
    visit = VisitFactory(
        site=site, starts_at=AT, ends_at=AT + timedelta(hours=1), state="confirmed", place=LANE
    )
    visit.note, visit.finished_at = "Ask for Quillmar", AT
    save_change(visit, action="changed", by=scheduler, at=AT)
    part = InstalledPartFactory(unit=unit)
    FindingFactory(
        installed_part=part, found_on=date(2024, 3, 1), note="Quillmar showed us the crack, 555 0142"
    )
    WorkFactory(unit=unit, done_on=date(2024, 3, 1), note="oiled while QUILLMAR TESSAVANE watched")
    TaskFactory(
        site=site, unit=unit, reason="binds, says Quillmar", state="completed", done_on=date(2024, 3, 1)
    )
    notification(
        customer=customer, body=f"Dear {NAME}", sent_to=MAIL, kind=NotificationKind.AGREED, number=visit.pk
    )
    notification(
        person=scheduler, body=f"09:00 {LANE}, ask for {NAME}", kind=NotificationKind.OFFICE_DAY, number=1
    )
    CustomerAnswer.objects.create(visit=visit, customer=customer, said="suits", words="Fine, Quillmar", at=AT)
    payload = {"note": "Mr Tessavane: 5550142", "modes": ["binds"], "n": 3}
    PhoneRecord.objects.create(
        key=uuid4(),
        by=scheduler,
        kind="finding",
        fingerprint="f",
        payload=payload,
        answer={"words": "saved for Quillmar"},
        unit=unit,
        made_at=AT,
        received_at=AT,
    )
    batch = Batch.objects.create(started_at=AT, folder="x", care_by="us", stage=Batch.Stage.REFUSED)
    StagedCustomer.objects.create(batch=batch, key=NAME.casefold(), name=NAME)
    facts = {"customer": NAME, "unit": unit.code}
    StagedRow.objects.create(
        batch=batch, file=InputFile.UNITS, line=2, key=unit.code, facts=facts, state="bad"
    )
    StagedProblem.objects.create(batch=batch, file=InputFile.UNITS, line=2, value=NAME, reason="twice")
    return customer


def notification(*, number: int, **fields: object) -> Notification:
    """A letter that was sent."""
    return Notification.objects.create(
        subject="visit",
        subject_id=number,
        due_on=AT.date(),
        addressee=f"x {number}",
        stage=Notification.Stage.SENT,
        next_try_at=AT,
        made_at=AT,
        sent_at=AT,
        title="A letter",
        **fields,
    )


@pytest.mark.django_db
def test_nothing_in_the_whole_database_names_an_erased_customer(quillmar: Customer, owner: User) -> None:
    units, findings = Unit.objects.count(), Finding.objects.count()
    assert len(leased(*SECRETS)) > 20
    assert leased("thistledown")
    done = anonymize_customer(quillmar, places=True, by=owner, at=AT)
    assert leased(*SECRETS, "thistledown") == []
    assert done.records > 8
    assert done.history > 4
    quillmar.refresh_from_db()
    assert (quillmar.name, quillmar.phone, quillmar.email, quillmar.note) == (NOBODY, "", "", "")
    assert (Unit.objects.count(), Finding.objects.count()) == (units, findings)
    assert "binds" in Call.objects.get().words
    assert "showed us the crack" in Finding.objects.get().note
    site = Site.objects.get(address="", access_notes="")
    assert (str(site.latitude), str(site.longitude)) == ("35.120000", "-79.990000")


@pytest.mark.django_db
def test_an_erasure_is_itself_recorded(quillmar: Customer, owner: User) -> None:
    lines = Change.objects.count()
    anonymize_customer(quillmar, places=False, by=owner, at=AT)
    last = Change.objects.about(quillmar).order_by("-pk")[0]
    assert (last.action, last.by) == ("a customer’s words were erased", owner)
    assert Change.objects.count() > lines
    assert Erasure.objects.filter(subject="units.customer", subject_id=quillmar.pk, by=owner).exists()
    values = {field.after for change in Change.objects.about(quillmar) for field in change.fields.all()}
    assert values == {"erased"}


@pytest.mark.django_db
def test_places_stay_where_they_are_wanted(quillmar: Customer, owner: User) -> None:
    anonymize_customer(quillmar, places=False, by=owner, at=AT)
    site = Site.objects.get(address=LANE)
    assert site.access_notes == f"Key with {MARK}"
    assert Visit.objects.get().place == LANE


@pytest.mark.django_db
def test_a_site_that_was_sold_keeps_its_address_and_the_next_owner(quillmar: Customer, owner: User) -> None:
    ownership = quillmar.ownerships.get()
    ownership.until_on = date(2026, 5, 5)
    ownership.save()
    later = OwnershipFactory(
        site=ownership.site, customer=CustomerFactory(name="Nell Gorsewick"), from_on=ownership.until_on
    )
    theirs = CallFactory(
        site=ownership.site,
        reported_at=AT + timedelta(days=9),
        reported_by="Nell Gorsewick",
        phone="555 0107",
    )
    anonymize_customer(quillmar, places=True, by=owner, at=AT)
    assert ownership.site.address == Site.objects.get(pk=ownership.site_id).address == LANE
    theirs.refresh_from_db()
    assert (theirs.reported_by, theirs.phone) == ("Nell Gorsewick", "555 0107")
    assert later.customer.name == "Nell Gorsewick"


@pytest.mark.django_db
def test_somebody_else_of_the_same_name_stays(quillmar: Customer, owner: User) -> None:
    twin = CustomerFactory(name=NAME, phone="555 0177")
    call = CallFactory(site=OwnershipFactory(customer=twin).site, reported_at=AT, reported_by=NAME)
    anonymize_customer(quillmar, places=True, by=owner, at=AT)
    twin.refresh_from_db()
    call.refresh_from_db()
    assert (twin.name, twin.phone, call.reported_by) == (NAME, "555 0177", NAME)


@pytest.mark.django_db
def test_nothing_is_erased_while_something_is_to_be_done(quillmar: Customer, owner: User) -> None:
    site = quillmar.ownerships.get().site
    call = CallFactory(site=site, reported_at=AT, state="needs-action")
    with pytest.raises(RuleViolation, match=f"call {call.pk}"):
        anonymize_customer(quillmar, places=True, by=owner, at=AT)
    quillmar.refresh_from_db()
    assert quillmar.name == NAME
    assert not Erasure.objects.exists()


@pytest.mark.django_db
def test_the_page_says_what_goes_and_takes_the_name_as_the_proof(
    quillmar: Customer, as_owner: Client
) -> None:
    address = f"/customers/{quillmar.pk}/erase/"
    page = as_owner.get(address).content.decode()
    assert "in 1 call;" in page
    assert LANE in page
    answer = as_owner.post(address, {"name": "Somebody", "places": "on"})
    assert answer.status_code == 422
    assert "nothing was erased" in answer.content.decode()
    answer = as_owner.post(address, {"name": NAME.lower(), "places": "on"}, follow=True)
    assert "Erased:" in answer.content.decode()
    assert leased(*SECRETS) == []


@pytest.mark.django_db
def test_all_that_is_held_comes_as_one_file(
    quillmar: Customer, as_owner: Client, as_scheduler: Client
) -> None:
    other = CustomerFactory(name="Nell Gorsewick")
    OwnershipFactory(customer=other)
    address = f"/customers/{quillmar.pk}/all-we-hold.json"
    assert as_scheduler.get(address).status_code == 403
    answer = as_owner.get(address)
    assert answer["Content-Disposition"] == f'attachment; filename="customer-{quillmar.pk}.json"'
    data = answer.json()
    assert data["customer"]["name"] == NAME
    assert data["sites"][0]["address"] == LANE
    assert data["owned"][0]["owner since"] == "2020-01-01"
    assert data["calls"][0]["unit"] == data["units"][0]["code"]
    assert data["calls"][0]["call back on"] == MOBILE
    assert data["notifications"][0]["body"] == f"Dear {NAME}"
    assert data["findings"][0]["note"].startswith("Quillmar")
    assert [field["before"] for change in data["history"] for field in change["fields"]] == [EARLIER]
    assert "Gorsewick" not in answer.content.decode()


SCRUBBER = Scrubber(frozenset({"Ada O'Vole", "Bo"}), frozenset({"+1 (555) 0142", "ada@vole.example"}))


@pytest.mark.parametrize(
    ("text", "left"),
    [
        ("ada o'vole was out", f"{MARK} was out"),
        ("Ada was out, so was Vole.", f"{MARK} was out, so was {MARK}."),
        ("the ada lovers", "the ada lovers"),
        ("Adams rang", "Adams rang"),
        ("Bo rang; Bobbin broke", f"{MARK} rang; Bobbin broke"),
        ("ring 15550142 or +1 555-0142 now", f"ring {MARK} or {MARK} now"),
        ("part 155501422", "part 155501422"),
        ("mail Ada@Vole.example today", f"mail {MARK} today"),
        ("track 12 1/2 by 36", "track 12 1/2 by 36"),
        ("", ""),
    ],
)
def test_words_are_taken_out_and_others_left(text: str, left: str) -> None:
    assert SCRUBBER.text(text) == left


def test_nothing_known_takes_nothing_out() -> None:
    assert Scrubber(frozenset(), frozenset()).text("Ada 555 0142") == "Ada 555 0142"


@pytest.mark.django_db
def test_what_is_old_is_forgotten_and_what_is_not_stays(quillmar: Customer, settings: Settings) -> None:
    settings.KEEP_NOTIFICATIONS_DAYS, settings.KEEP_CALLERS_DAYS = 30, 60
    settings.KEEP_PHONE_RECORDS_DAYS, settings.KEEP_FILES_DAYS = 90, 120
    assert apply_retention(at=AT + timedelta(days=29)) == 0
    assert apply_retention(at=AT + timedelta(days=31)) == 2
    assert set(Notification.objects.values_list("body", "sent_to", "stage")) == {("", "", "sent")}
    assert apply_retention(at=AT + timedelta(days=61)) == 1
    call = Call.objects.get()
    assert (call.reported_by, call.phone) == ("", "")
    who = ChangedField.objects.filter(change__subject="calls.call", field__in=["reported by", "call back on"])
    assert {text for row in who for text in (row.before, row.after)} <= {"", "erased"}
    assert apply_retention(at=AT + timedelta(days=91)) == 1
    assert PhoneRecord.objects.get().payload == {}
    assert apply_retention(at=AT + timedelta(days=121)) == 1
    assert not Batch.objects.exists()
    assert not StagedRow.objects.exists()


@pytest.mark.django_db
def test_nothing_is_forgotten_where_the_settings_say_so(quillmar: Customer, settings: Settings) -> None:
    settings.KEEP_NOTIFICATIONS_DAYS = settings.KEEP_CALLERS_DAYS = 0
    settings.KEEP_PHONE_RECORDS_DAYS = settings.KEEP_FILES_DAYS = 0
    before = everything()
    assert apply_retention(at=AT + timedelta(days=9999)) == 0
    assert everything() == before


@pytest.mark.django_db
def test_sessions_that_ran_out_are_thrown_away(as_owner: Client) -> None:
    at = datetime.now(UTC)
    assert apply_retention(at=at) == 0
    assert apply_retention(at=at + timedelta(days=15)) == 1
    assert not UserSession.objects.exists()
