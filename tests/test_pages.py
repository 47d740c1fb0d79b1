"""Every address: who may open it, that it renders with the demo company, and that it is closed by default."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

import pytest
from django.conf import settings
from django.db import connection, transaction
from django.test import Client
from django.urls import reverse
from django.urls.converters import IntConverter

from servicedesk.accounts.models import Role, User
from tests.every_address import ALL, OPEN, SIGNED_IN, addresses, arguments, shown_records

pytestmark = pytest.mark.django_db


STATUS_OF = {"accounts:too_large": {413}}
"""Addresses whose page says by its status what happened."""

EVERYBODY = ["nobody", "none", *Role.values]
"""Who comes to an address: nobody signed in, somebody without a role, and one of each role."""


def test_every_address_has_a_name_of_its_own() -> None:
    names = [name for name, _ in addresses()]
    assert len(names) == len(set(names))
    assert not [name for name in names if name.endswith(":None")]


def test_the_addresses_without_sign_in_are_these() -> None:
    open_ones = {
        name for name, pattern in ALL.items() if not getattr(pattern.callback, "login_required", True)
    }
    assert open_ones == OPEN


def test_every_other_address_names_a_role() -> None:
    without = {
        name
        for name, pattern in ALL.items()
        if not hasattr(pattern.callback, "opens_to") and name not in OPEN | SIGNED_IN
    }
    assert without == set()


@pytest.fixture(scope="module")
def cookies(demo: dict[str, User], django_db_blocker: Any) -> dict[str, str]:
    """The cookie by which the desk knows somebody of each role."""
    client, by_role = Client(), {}
    with django_db_blocker.unblock():
        for who, person in demo.items():
            client.force_login(person)
            by_role[who] = client.cookies.pop(settings.SESSION_COOKIE_NAME).value
    return by_role


@contextmanager
def browser_of(who: str, cookies: dict[str, str], **options: Any) -> Iterator[Client]:
    """Give a fresh browser in which somebody is signed in; what it does at the desk is taken back."""
    client = Client(**options)
    if who != "nobody":
        client.cookies[settings.SESSION_COOKIE_NAME] = cookies[who]
    with transaction.atomic():
        yield client
        transaction.set_rollback(True)


def may_open(name: str, person: User | None) -> bool:
    """Say whether somebody may open what is not open to all."""
    needs: Role | None = getattr(ALL[name].callback, "opens_to", None)
    return person is not None and (needs is None or person.may_act_as(needs))


def fault_of(answer: Any, *, allowed: set[int], signed_in: bool) -> str:
    """Say in which way an answer is none of those allowed; who is not known is led to the sign-in."""
    if answer.status_code not in allowed:
        return f"answers {answer.status_code}, not one of {sorted(allowed)}"
    if allowed == {302} and not signed_in and not answer["Location"].startswith("/sign-in/?next="):
        return f"leads to {answer['Location']}, not to the sign-in"
    return ""


def statuses_to_open(name: str, who: str, person: User | None) -> set[int]:
    """Give the statuses with which an address may answer somebody who opens it."""
    if name in OPEN:
        no_access = {403} if name == "field:token" and who == "none" else set()  # signing in won't help
        return {200, 302, 401, 404, 405} | no_access | STATUS_OF.get(name, set())
    if person is None:
        return {302}
    if not may_open(name, person):
        return {403}
    led_on = {302} if name == "schedules:week_progress" else set()  # a piece of a page, for scripts
    return {200, 405} | led_on


def statuses_to_send(name: str, person: User | None) -> set[int]:
    """Give the statuses with which an address may answer somebody who may not send to it, or anybody."""
    if name in OPEN:
        led_on = {302} if name == "accounts:code" else set()  # to the password, which comes first
        return {200, 400, 401, 404, 405, 409, 422} | led_on | STATUS_OF.get(name, set())
    return {302} if person is None else {403}


@pytest.mark.parametrize("name", sorted(ALL))
def test_who_may_open_what(
    demo: dict[str, User], doors: dict[str, str], cookies: dict[str, str], name: str
) -> None:
    wrong = {}
    for who in EVERYBODY:
        with browser_of(who, cookies) as client:
            allowed = statuses_to_open(name, who, demo.get(who))
            fault = fault_of(client.get(doors[name]), allowed=allowed, signed_in=who in demo)
        if fault:
            wrong[f"{who} opens {doors[name]}"] = fault
    assert wrong == {}


@pytest.mark.parametrize("name", sorted(ALL))
def test_who_may_send_what(
    demo: dict[str, User], doors: dict[str, str], cookies: dict[str, str], name: str
) -> None:
    """What somebody may not open they can't send to either, and nothing is written by trying."""
    wrong: dict[str, Any] = {}
    for who in EVERYBODY:
        if may_open(name, demo.get(who)):
            continue  # junk from those who may is sent in `tests/test_junk.py`
        sent = {"idempotency_key": str(uuid4()), "what": "suits", "name": "x", "on": "x"}
        with browser_of(who, cookies) as client, written() as statements:
            answer = client.post(doors[name], sent)
        allowed = statuses_to_send(name, demo.get(who))
        if fault := fault_of(answer, allowed=allowed, signed_in=who in demo):
            wrong[f"{who} sends to {doors[name]}"] = fault
        if stored := [sql for sql in statements if "accounts_failedsignin" not in sql]:
            wrong[f"{who} writes by sending to {doors[name]}"] = stored
    assert wrong == {}


WITHOUT_TOKEN = {"portal:email_preference"}
"""What a mail program posts by itself (RFC 8058): the signed address is all it knows, and all it changes."""


@pytest.mark.parametrize("name", sorted(ALL))
def test_nothing_is_sent_without_a_token(doors: dict[str, str], cookies: dict[str, str], name: str) -> None:
    """A page of somebody else's can make a browser send a form, but not with the token (OWASP on CSRF)."""
    for token in ({}, {"csrfmiddlewaretoken": "b" * 32}, {"csrfmiddlewaretoken": ""}):
        with browser_of("owner", cookies, enforce_csrf_checks=True) as client, written() as statements:
            client.cookies["csrftoken"] = "a" * 32
            assert client.post(doors[name], token).status_code == (404 if name in WITHOUT_TOKEN else 403)
        assert statements == []


@contextmanager
def written() -> Iterator[list[str]]:
    """Gather the statements that change anything while the block runs."""
    statements: list[str] = []

    def look(execute: Callable[..., Any], sql: str, *rest: Any) -> Any:
        if sql.lstrip().split(" ", 1)[0].upper() in {"INSERT", "UPDATE", "DELETE"}:
            statements.append(sql)
        return execute(sql, *rest)

    with connection.execute_wrapper(look):
        yield statements


@pytest.mark.parametrize(
    "digits", ["0", str(2**31), str(2**63 - 1), str(2**63), str(2**64), "9" * 400, "9" * 5000], ids=len
)
def test_numbers_that_no_record_has_are_not_found(demo: dict[str, User], digits: str) -> None:
    client, wrong, records = Client(), [], shown_records()
    client.force_login(demo["owner"])
    for name, pattern in sorted(ALL.items()):
        numbered = [key for key, kind in pattern.pattern.converters.items() if isinstance(kind, IntConverter)]
        for key in numbered:
            kwargs = {**arguments(pattern, name, records), key: 77_000_077}
            address = reverse(name, kwargs=kwargs).replace("77000077", digits)
            for send in (client.get, client.post):
                status = send(address).status_code
                if status not in {404, 405}:
                    wrong.append(f"{address[:80]}: {status}")
    assert wrong == []


@pytest.mark.parametrize(
    "day", ["0001-01-01", "9999-12-31", "2026-02-30", "2026-W01-1", "x", "20261125", "1" * 500]
)
def test_days_out_of_any_calendar_are_not_found(demo: dict[str, User], day: str) -> None:
    client = Client()
    client.force_login(demo["owner"])
    person = demo["technician"].pk
    allowed = {404} if day not in {"2026-W01-1", "20261125"} else {200, 302}
    assert client.get(f"/routes/{person}/{day}/").status_code in allowed
    assert client.post(f"/routes/{person}/{day}/confirm/").status_code in allowed
