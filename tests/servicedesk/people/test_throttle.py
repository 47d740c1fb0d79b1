"""Guessing passwords is slow, and who knows theirs still gets in."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import pytest
import time_machine
from django.contrib.auth.models import Group
from django.test import Client
from pytest_django import Settings

from servicedesk.people.models import FailedSignIn, User
from tests.factories import UserFactory

pytestmark = pytest.mark.django_db

PASSWORD = "a-long-made-up-word"
NOW = datetime(2026, 5, 4, 12, 0, tzinfo=UTC)


@pytest.fixture(autouse=True)
def clock() -> Iterator[time_machine.Coordinates]:
    """A clock that stands until it is moved."""
    with time_machine.travel(NOW, tick=False) as traveller:
        yield traveller


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
        told = {"username": "olive", "password": "wrong"}
        answer = client.post("/sign-in/", told, headers={"x-forwarded-for": f"10.0.0.1, {address}"})
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
