"""Every address: who may open it, that it renders with the demo company, and that it is closed by default."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any
from uuid import uuid4

import pytest
from django.db import connection
from django.test import Client
from django.urls import reverse
from django.urls.converters import IntConverter

from servicedesk.people.models import Role, User
from tests.every_address import ALL, OPEN, SIGNED_IN, address_of, addresses, arguments

pytestmark = pytest.mark.django_db


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


@pytest.mark.parametrize("who", ["nobody", "none", *Role.values])
@pytest.mark.parametrize("name", sorted(ALL))
def test_who_may_open_what(demo: dict[str, User], name: str, who: str) -> None:
    pattern = ALL[name]
    client = Client(raise_request_exception=True)
    if who != "nobody":
        client.force_login(demo[who])
    address = address_of(name)
    answer = client.get(address)
    needs: Role | None = getattr(pattern.callback, "opens_to", None)
    if name in OPEN:
        assert answer.status_code in {200, 302, 401, 404, 405}
    elif who == "nobody":
        assert answer.status_code == 302
        assert answer["Location"].startswith("/sign-in/?next=")
    elif needs is None:
        assert answer.status_code in {200, 405}
    elif demo[who].may_act_as(needs):
        led_on = {302} if name == "schedules:week_progress" else set()  # a piece of a page, for scripts
        assert answer.status_code in {200, 405} | led_on, address
    else:
        assert answer.status_code == 403


@pytest.mark.parametrize("name", sorted(ALL))
def test_who_may_send_what(demo: dict[str, User], name: str) -> None:
    """What somebody may not open they can't send to either, and nothing is written by trying."""
    pattern, address = ALL[name], address_of(name)
    needs: Role | None = getattr(pattern.callback, "opens_to", None)
    for who in ("nobody", "none", *Role.values):
        client = Client()
        if who != "nobody":
            client.force_login(demo[who])
        if who != "nobody" and (needs is None or demo[who].may_act_as(needs)):
            continue  # junk from those who may is sent in `tests/test_junk.py`
        with written() as statements:
            answer = client.post(address, {"receipt": str(uuid4()), "what": "suits", "name": "x", "on": "x"})
        if name in OPEN:
            led_on = {302} if name == "people:code" else set()  # to the password, which comes first
            assert answer.status_code in {200, 400, 401, 404, 405, 409, 422} | led_on
        elif who == "nobody":
            assert answer.status_code == 302
            assert answer["Location"].startswith("/sign-in/?next=")
        else:
            assert answer.status_code == 403
        assert [told for told in statements if "people_failedsignin" not in told] == []


WITHOUT_TOKEN = {"schedules:wishes"}
"""What a mail program posts by itself (RFC 8058): the signed address is all it knows, and all it changes."""


@pytest.mark.parametrize("name", sorted(ALL))
def test_nothing_is_sent_without_a_token(demo: dict[str, User], name: str) -> None:
    """A page of somebody else's can make a browser send a form, but not with the token (OWASP on CSRF)."""
    client, address = Client(enforce_csrf_checks=True), address_of(name)
    client.force_login(demo["owner"])
    client.cookies["csrftoken"] = "a" * 32
    for token in ({}, {"csrfmiddlewaretoken": "b" * 32}, {"csrfmiddlewaretoken": ""}):
        with written() as statements:
            assert client.post(address, token).status_code == (404 if name in WITHOUT_TOKEN else 403)
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
    client, wrong = Client(), []
    client.force_login(demo["owner"])
    for name, pattern in sorted(ALL.items()):
        numbered = [key for key, kind in pattern.pattern.converters.items() if isinstance(kind, IntConverter)]
        for key in numbered:
            kwargs = {**arguments(pattern, name), key: 77_000_077}
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
    assert client.get(f"/rounds/{person}/{day}/").status_code in allowed
    assert client.post(f"/rounds/{person}/{day}/confirm/").status_code in allowed
