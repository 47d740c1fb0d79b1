"""Signing in, one's own account, and the people page."""

from __future__ import annotations

import uuid

import pytest
import time_machine
from django.contrib.auth.models import Group
from django.test import Client
from django.utils import timezone

from servicedesk.accounts import operations
from servicedesk.accounts.models import Role, User
from servicedesk.core.models import Change, IdempotencyKey
from servicedesk.core.rules.refusals import RuleViolation
from tests.factories import UserFactory

pytestmark = pytest.mark.django_db
PASSWORD = "a-long-made-up-word"


@pytest.fixture
def tess() -> User:
    user = UserFactory(username="tess")
    user.set_password(PASSWORD)
    user.save()
    user.groups.add(Group.objects.get_or_create(name="technician")[0])
    return user


def test_the_right_password_leads_home(client: Client, tess: User) -> None:
    answer = client.post("/sign-in/", {"username": "tess", "password": PASSWORD})
    assert answer.status_code == 302
    assert answer["Location"] == "/"


@pytest.mark.parametrize(("name", "password"), [("tess", "wrong"), ("nobody", PASSWORD)])
def test_a_wrong_name_and_a_wrong_password_get_the_same_answer(
    client: Client, tess: User, name: str, password: str
) -> None:
    answer = client.post("/sign-in/", {"username": name, "password": password})
    assert "do not go together" in answer.content.decode()
    assert "Not signed in" in answer.content.decode()
    assert "_auth_user_id" not in client.session


def test_somebody_who_left_can_not_sign_in(client: Client, tess: User) -> None:
    User.objects.filter(pk=tess.pk).update(is_active=False)
    answer = client.post("/sign-in/", {"username": "tess", "password": PASSWORD})
    assert "do not go together" in answer.content.decode()


def test_signing_out_takes_a_posted_form(client: Client, tess: User) -> None:
    client.force_login(tess)
    assert client.get("/sign-out/").status_code == 405
    client.post("/sign-out/")
    assert "_auth_user_id" not in client.session


def test_a_closed_page_leads_to_signing_in(client: Client) -> None:
    answer = client.get("/people/")
    assert answer["Location"] == "/sign-in/?next=/people/"


def test_one_changes_ones_own_password_and_stays_signed_in(client: Client, tess: User) -> None:
    client.force_login(tess)
    assert client.post("/me/", {"old": PASSWORD, "password": "another-made-up-word"}).status_code == 302
    tess.refresh_from_db()
    assert tess.check_password("another-made-up-word")
    assert client.get("/me/").status_code == 200


@pytest.mark.parametrize(
    ("address", "new"),
    [
        ("/me/", {"password": "another-made-up-word"}),
        ("/me/second-step/", {"code": "000000"}),
        ("/me/second-step/end/", {}),
    ],
)
def test_who_finds_an_open_screen_can_not_guess_the_password_there(
    client: Client, tess: User, address: str, new: dict[str, str]
) -> None:
    client.force_login(tess)
    with time_machine.travel(timezone.now(), tick=False):  # a busy machine gives a guesser no longer
        assert client.post(address, {"old": "", **new}).status_code == 422
        guesses = [client.post(address, {"old": f"a-wrong-guess-{n}", **new}) for n in range(60)]
        waiting = client.post(address, {"old": PASSWORD, **new})
    statuses = [answer.status_code for answer in guesses]
    assert statuses.count(422) <= 6
    assert set(statuses) == {422, 429}
    assert int(waiting["Retry-After"]) > 0
    assert 'href="/me/"' in waiting.content.decode().split("<main", 1)[1]
    tess.refresh_from_db()
    assert tess.check_password(PASSWORD)


def test_a_weak_password_is_refused_with_the_reason(client: Client, tess: User) -> None:
    client.force_login(tess)
    answer = client.post("/me/", {"old": PASSWORD, "password": "short"})
    assert answer.status_code == 422
    assert "too short" in answer.content.decode()


def test_an_owner_adds_a_person_once_however_often_the_button_is_pressed(as_owner: Client) -> None:
    entries = {
        "idempotency_key": str(uuid.uuid4()),
        "name": "Orla Quill",
        "username": "orla",
        "role": "technician",
        "password": PASSWORD,
    }
    assert as_owner.post("/people/add/", entries).status_code == 302
    assert as_owner.post("/people/add/", entries).status_code == 302
    person = User.objects.get(username="orla")
    assert person.role == Role.TECHNICIAN
    assert IdempotencyKey.objects.count() == 1
    assert Change.objects.about(person).count() == 1


def test_the_same_form_with_other_entries_is_refused(as_owner: Client) -> None:
    entries = {
        "idempotency_key": str(uuid.uuid4()),
        "name": "Orla Quill",
        "username": "orla",
        "role": "technician",
        "password": PASSWORD,
    }
    as_owner.post("/people/add/", entries)
    answer = as_owner.post("/people/add/", {**entries, "username": "other"})
    assert answer.status_code == 422
    assert "already saved with other entries" in answer.content.decode()
    assert not User.objects.filter(username="other").exists()


def test_a_name_taken_is_told_beside_its_field(as_owner: Client, tess: User) -> None:
    answer = as_owner.post(
        "/people/add/",
        {
            "idempotency_key": str(uuid.uuid4()),
            "name": "Other Tess",
            "username": "tess",
            "role": "technician",
            "password": PASSWORD,
        },
    )
    assert answer.status_code == 422
    assert "already exists" in answer.content.decode()


def test_a_changed_role_is_one_role_and_stands_in_the_history(as_owner: Client, tess: User) -> None:
    entries = {"name": tess.name, "phone": "555-0142", "email": "t@company.example", "role": "scheduler"}
    answer = as_owner.post(f"/people/{tess.pk}/", {**entries, "is_active": "on"})
    assert answer.status_code == 302
    assert [group.name for group in User.objects.get(pk=tess.pk).groups.all()] == ["scheduler"]
    change = Change.objects.about(tess).get()
    assert change.action == "changed; now scheduler"
    assert {(field.field, field.after) for field in change.fields.all()} == {
        ("phone", "555-0142"),
        ("email address", "t@company.example"),
    }
    assert "changed; now scheduler" in as_owner.get(f"/people/{tess.pk}/").content.decode()


def test_an_owner_can_not_lock_everybody_out(owner: User, as_owner: Client) -> None:
    answer = as_owner.post(
        f"/people/{owner.pk}/", {"name": owner.name, "phone": "", "role": "technician", "is_active": "on"}
    )
    assert answer.status_code == 422
    assert "Ask another owner" in answer.content.decode()
    assert User.objects.get(pk=owner.pk).role == Role.OWNER


def test_an_owner_gives_a_new_password(as_owner: Client, tess: User) -> None:
    answer = as_owner.post(f"/people/{tess.pk}/password/", {"password": "another-made-up-word"})
    assert answer.status_code == 302
    tess.refresh_from_db()
    assert tess.check_password("another-made-up-word")


def test_roles_include_the_ones_before_them(technician: User, scheduler: User, owner: User) -> None:
    assert [technician.may_act_as(role) for role in Role] == [True, False, False]
    assert [scheduler.may_act_as(role) for role in Role] == [True, True, False]
    assert [owner.may_act_as(role) for role in Role] == [True, True, True]
    assert [UserFactory().may_act_as(role) for role in Role] == [False, False, False]


def test_a_weak_first_password_is_refused() -> None:
    with pytest.raises(RuleViolation, match="too common"):
        operations.add_person(
            "sol", name="Sol", role=Role.SCHEDULER, password="password123", by=None, at=None
        )
    assert not User.objects.exists()
