"""Guessing passwords is slow, and who knows theirs still gets in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth.models import Group
from django.db.models import Sum
from django.test import Client
from pytest_django import Settings

from servicedesk.accounts.models import FailedSignIn, User
from tests.factories import UserFactory

pytestmark = pytest.mark.django_db

PASSWORD = "a-long-made-up-word"
NOW = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def clock() -> Iterator[time_machine.Coordinates]:
    """A clock that stands until it is moved."""
    with time_machine.travel(NOW, tick=False) as traveler:
        yield traveler


@pytest.fixture
def olive() -> User:
    """The owner."""
    user: User = UserFactory(username="olive")
    user.set_password(PASSWORD)
    user.save()
    user.groups.add(Group.objects.get_or_create(name="owner")[0])
    return user


def attempt(client: Client, password: str, *, address: str = "192.0.2.1", name: str = "olive") -> int:
    """Try to sign in from an address and give the status of the answer."""
    answer = client.post("/sign-in/", {"username": name, "password": password}, REMOTE_ADDR=address)
    return answer.status_code


def test_four_slips_are_free_and_each_more_waits_longer(
    client: Client, olive: User, clock: time_machine.Coordinates
) -> None:
    assert [attempt(client, "wrong") for _ in range(5)] == [200, 200, 200, 200, 429]
    clock.shift(timedelta(seconds=1))
    assert attempt(client, "wrong") == 200
    assert attempt(client, PASSWORD) == 429
    clock.shift(timedelta(seconds=2))
    assert attempt(client, PASSWORD) == 302
    assert not FailedSignIn.objects.filter(about="pair").exists()


@pytest.mark.long
def test_a_thousand_wrong_passwords_from_one_address_do_not_lock_the_owner_out(
    client: Client, olive: User, clock: time_machine.Coordinates
) -> None:
    looked_at = 0
    for _ in range(1000):
        looked_at += attempt(client, "wrong", address="198.51.100.7") == 200
        clock.shift(timedelta(seconds=1))
    # Of a thousand tries in a thousand seconds a handful were looked at.
    assert looked_at <= 15
    assert attempt(Client(), PASSWORD, address="192.0.2.1") == 302


@pytest.mark.long
def test_a_thousand_wrong_passwords_from_as_many_addresses_slow_strangers_only(
    olive: User, clock: time_machine.Coordinates
) -> None:
    known = Client()
    assert attempt(known, PASSWORD) == 302
    known.post("/sign-out/")
    for number in range(1000):
        attempt(Client(), "wrong", address=f"198.51.{number // 250}.{number % 250}")
    # The owner's own browser does not wait at all; a new one waits for twenty seconds at most.
    assert attempt(known, PASSWORD) == 302
    fresh = Client()
    assert attempt(fresh, PASSWORD, address="203.0.113.9") == 429
    clock.shift(timedelta(seconds=20))
    assert attempt(fresh, PASSWORD, address="203.0.113.9") == 302


def test_many_names_from_one_address_wait_too(client: Client, olive: User) -> None:
    answers = [attempt(client, "wrong", name=f"name{number}") for number in range(40)]
    assert answers.count(200) == 20
    assert answers[-1] == 429


def test_names_that_are_not_there_wait_alike(client: Client, olive: User) -> None:
    for name in ("olive", "nobody"):
        assert [attempt(client, "wrong", name=name, address=f"192.0.2.{len(name)}") for _ in range(5)][
            -1
        ] == 429


def test_behind_a_proxy_the_address_is_read_past_it(client: Client, olive: User, settings: Settings) -> None:
    settings.PROXIES = 1

    def through_proxy(address: str) -> int:
        data = {"username": "olive", "password": "wrong"}
        answer = client.post("/sign-in/", data, headers={"x-forwarded-for": f"10.0.0.1, {address}"})
        return answer.status_code

    assert [through_proxy("192.0.2.1") for _ in range(5)][-1] == 429
    assert through_proxy("192.0.2.2") == 200


def test_nothing_told_names_anybody(client: Client, olive: User) -> None:
    attempt(client, "wrong")
    for row in FailedSignIn.objects.all():
        assert "olive" not in row.digest
        assert "192.0.2.1" not in row.digest


def test_a_day_later_all_is_forgotten(client: Client, olive: User, clock: time_machine.Coordinates) -> None:
    for _ in range(6):
        attempt(client, "wrong")
    clock.shift(timedelta(hours=25))
    assert attempt(client, "wrong") == 200
    assert set(FailedSignIn.objects.values_list("times", flat=True)) == {1}


def colleagues(number: int) -> list[User]:
    """Make people with the same password."""
    people: list[User] = UserFactory.create_batch(number)
    for person in people:
        person.set_password(PASSWORD)
        person.save()
    return people


def test_an_office_whose_people_slip_now_and_then_never_waits(clock: time_machine.Coordinates) -> None:
    """Thirty people behind one address, each a slip a day, followed by the right password or by giving up."""
    people = colleagues(30)
    for number, person in enumerate(people):
        assert attempt(Client(), "wrong", name=person.username) == 200
        if number % 2:
            assert attempt(Client(), PASSWORD, name=person.username) == 302
        clock.shift(timedelta(hours=20))
    assert attempt(Client(), "wrong", name=people[0].username) == 200
    assert attempt(Client(), PASSWORD, name=people[0].username) == 302


def test_the_right_password_takes_back_the_slips_before_it_and_nobody_elses(
    clock: time_machine.Coordinates,
) -> None:
    *people, last = colleagues(31)
    for _ in range(3):
        attempt(Client(), "wrong", name="somebody")
    clock.shift(timedelta(minutes=30))
    for person in people:
        assert [attempt(Client(), word, name=person.username) for word in ("wrong", PASSWORD)] == [200, 302]
        clock.shift(timedelta(minutes=3))
    assert attempt(Client(), PASSWORD, name=last.username) == 302
    address = FailedSignIn.objects.filter(about="address").aggregate(times=Sum("times"))
    assert address == {"times": 3}
    assert not FailedSignIn.objects.filter(about="account", times__gt=3).exists()


def test_each_hour_is_forgotten_by_itself(client: Client, clock: time_machine.Coordinates) -> None:
    """The window slides: a slip counts for a day and no longer, though others follow."""
    for number in range(60):
        assert attempt(client, "wrong", name=f"name{number}") == 200
        clock.shift(timedelta(hours=2))
    counts = FailedSignIn.objects.filter(about="address").aggregate(times=Sum("times"))
    assert counts["times"] <= 13


def test_guessing_at_the_same_address_does_not_lock_a_known_browser_out(
    olive: User, clock: time_machine.Coordinates
) -> None:
    own_browser = Client()
    assert attempt(own_browser, PASSWORD) == 302
    own_browser.post("/sign-out/")
    for number in range(60):
        attempt(Client(), "wrong", name="olive" if number % 2 else f"name{number}")
        clock.shift(timedelta(seconds=20))
    assert attempt(Client(), PASSWORD) == 429
    assert attempt(own_browser, PASSWORD) == 302


def test_a_known_browser_has_no_more_free_tries_than_others(olive: User) -> None:
    own_browser = Client()
    assert attempt(own_browser, PASSWORD) == 302
    own_browser.post("/sign-out/")
    assert [attempt(own_browser, "wrong") for _ in range(5)] == [200, 200, 200, 200, 429]


def test_strangers_do_not_keep_who_is_signed_in_from_a_new_password(olive: User) -> None:
    client = Client()
    client.force_login(olive)
    for number in range(60):
        attempt(Client(), "wrong", address=f"198.51.100.{number}")
        attempt(Client(), "wrong", name=f"name{number}")
    entries = {"old": PASSWORD, "password": "another-made-up-word"}
    assert client.post("/me/", entries, REMOTE_ADDR="192.0.2.1").status_code == 302


def test_an_open_screen_gives_no_more_tries_at_the_password(olive: User) -> None:
    client = Client()
    client.force_login(olive)
    wrong = {"old": "wrong", "password": "another-made-up-word"}
    assert [client.post("/me/", wrong).status_code for _ in range(5)] == [422] * 4 + [429]
