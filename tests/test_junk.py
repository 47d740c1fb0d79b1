"""Junk for every address: no fault of ours, nothing reflected, always the content security policy.

Each page's own forms are filled in as a browser would, so that junk in one field gets past the checks of the
others; then all fields hold junk, or the body is no form at all. Whatever is stored is rolled back.
"""

from __future__ import annotations

import os
import re
from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import Any
from urllib.parse import urlsplit
from zlib import crc32

import pytest
from django.db import transaction
from django.test import Client
from django.urls import Resolver404, resolve
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from schedules.models import Visit
from schedules.notifications.links import VisitKey, opt_out_token, visit_token
from schedules.notifications.queue import customers_of
from servicedesk.accounts.models import User
from tests.every_address import ALL
from tests.junk import JUNK, RAW_BODIES, any_text, faults_of
from tests.read_forms import Form, read_forms

pytestmark = [pytest.mark.django_db, pytest.mark.long]

ROUNDS = int(os.environ.get("JUNK_ROUNDS", "1"))
"""How thoroughly: each round sends some twenty requests to each address, and other junk; 20 send all."""

FIELDS, ALL_AT_ONCE = 10, 3
METHODS = ("PUT", "DELETE", "PATCH", "OPTIONS", "TRACE", "HEAD")

DEAR = {"reports:year", "reports:forecast"}
"""Pages that take seconds for a good question: asked only bad ones here; their parts have other tests."""

Forms = dict[str, list[Form]]


@pytest.fixture(scope="module")
def forms(demo: dict[str, User], doors: dict[str, str], django_db_blocker: Any) -> Forms:
    """The forms that lead to each address, by its name."""
    by_target: Forms = defaultdict(list)
    with django_db_blocker.unblock():
        client = signed_in(demo)
        for name, address in sorted(doors.items()):
            query = "?from=never" if name in DEAR else ""
            for form in forms_of(client, address + query):
                if target := name_of(form.address):
                    by_target[target].append(form)
        for address in signed_links():
            by_target[name_of(address)] += forms_of(Client(), address)
    return by_target


def signed_in(demo: dict[str, User]) -> Client:
    """Give a browser of the owner, who may open everything."""
    client = Client()
    client.force_login(demo["owner"])
    return client


def signed_links() -> list[str]:
    """Give the pages that letters lead to, of a visit to come."""
    visits = Visit.objects.open().filter(starts_at__gt=timezone.now()).order_by("starts_at")
    owners = customers_of([visit.site_id for visit in visits], timezone.localdate())
    visit = next(visit for visit in visits if visit.site_id in owners)
    owner = owners[visit.site_id]
    key = VisitKey(visit.pk, owner.pk)
    return [f"/your-visit/{visit_token(key)}/", f"/your-mail/{opt_out_token(owner.pk)}/"]


def forms_of(client: Client, address: str) -> list[Form]:
    """Read the forms of a page, as far as it is one."""
    answer = client.get(address)
    if not answer.headers.get("Content-Type", "").startswith("text/html"):
        return []
    return read_forms(answer.content.decode(), address)


def name_of(address: str) -> str:
    """Name the address a form is sent to."""
    try:
        return resolve(urlsplit(address).path).view_name
    except Resolver404:
        return ""


def test_every_form_is_found(forms: Forms) -> None:
    posted = {name for name, group in forms.items() if any(form.method == "post" for form in group)}
    assert len(posted) > 50
    assert {"units:add_site", "calls:close", "portal:customer_visit", "portal:email_preference"} <= posted


@pytest.mark.parametrize("name", sorted(ALL))
def test_junk_is_answered_without_a_fault(
    demo: dict[str, User], doors: dict[str, str], forms: Forms, name: str
) -> None:
    client, wrong = signed_in(demo), []
    for description, send in requests(client, name, doors[name], forms.get(name, [])):
        with transaction.atomic():
            faults = faults_of(send())
            transaction.set_rollback(True)
        wrong += [f"{description}: {fault}" for fault in faults]
    assert wrong == []


QUERIES = {"q": ["x"], "after": ["x"], "before": ["x"], "csv": ["1"], "week": ["x"], "site": ["1"]}


@pytest.mark.each_database
@pytest.mark.parametrize("name", sorted(set(ALL) - DEAR))
def test_nul_is_no_fault_of_any_address(
    demo: dict[str, User], doors: dict[str, str], forms: Forms, name: str
) -> None:
    """PostgreSQL keeps no NUL in texts, so that it must not come near a statement; SQLite doesn't mind."""
    client, wrong = signed_in(demo), []
    nul_forms: list[Form] = [Form(doors[name], "get", {field: ["x\0y"]}) for field in QUERIES]
    for form in richest(forms.get(name, [])).values():
        sorts = {re.sub(r"\d+", "#", field): field for field in form.fields}  # one of "task-1", "task-2" ...
        nul_forms += [
            Form(form.address, form.method, {**form.fields, field: ["x\0y"]}) for field in sorts.values()
        ]
    for form in nul_forms:
        with transaction.atomic():
            answer = (client.post if form.method == "post" else client.get)(form.address, form.fields)
            wrong += [f"{form}: {fault}" for fault in faults_of(answer)]
            transaction.set_rollback(True)
    assert wrong == []


@settings(
    max_examples=200, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)  # what fixtures make is rolled back after each request
@given(data=st.data())
def test_generated_junk_in_any_form_is_answered_without_a_fault(
    demo: dict[str, User], forms: Forms, data: st.DataObject
) -> None:
    every = [form for name in sorted(set(forms) - DEAR - {""}) for form in forms[name] if form.fields]
    form = data.draw(st.sampled_from(every))
    fields = dict(form.fields)
    for name in data.draw(st.lists(st.sampled_from(sorted(fields)), min_size=1, max_size=4, unique=True)):
        fields[name] = data.draw(st.lists(st.sampled_from(JUNK) | any_text, max_size=3))
    client = signed_in(demo)
    with transaction.atomic():
        answer = (client.post if form.method == "post" else client.get)(form.address, fields)
        faults = faults_of(answer)
        transaction.set_rollback(True)
    assert faults == []


def requests(
    client: Client, name: str, address: str, forms: list[Form], *, rounds: int = ROUNDS
) -> Iterator[tuple[str, Any]]:
    """Give requests with junk for an address, each with a word for it; which ones differs by address."""
    start = crc32(name.encode())
    plain = Form(address, "get", {} if name in DEAR else QUERIES)
    most = richest(forms)
    for form in [*most.values(), plain]:
        yield from of_form(client, form, start=start, rounds=rounds)
    address = most["post"].address if "post" in most else plain.address
    for kind, body in turn(RAW_BODIES, start, 2 * rounds):
        yield (
            f"POST {kind} {body[:30]!r}",
            lambda kind=kind, body=body: client.generic("POST", address, body, content_type=kind),
        )
    for method in turn(METHODS, start, rounds):
        yield method, lambda method=method: client.generic(method, address)


def richest(forms: list[Form]) -> dict[str, Form]:
    """Give the form with the most fields for each method."""
    return {form.method: form for form in sorted(forms, key=lambda form: len(form.fields))}


def turn(things: Sequence[Any], start: int, most: int) -> list[Any]:
    """Take some of the things, beginning somewhere."""
    return [things[(start + number) % len(things)] for number in range(min(most, len(things)))]


def of_form(client: Client, form: Form, *, start: int, rounds: int) -> Iterator[tuple[str, Any]]:
    """Give the requests of one form: junk in each field alone, in all, fields missing and repeated."""
    send = client.post if form.method == "post" else client.get
    names = [name for name in form.fields if name != "csrfmiddlewaretoken"]
    junk = JUNK[start % len(JUNK) :] + JUNK[: start % len(JUNK)]
    for place, field in enumerate(turn(names, start, FIELDS * rounds)):
        for number in range(rounds):
            value = junk[(place + number * 11) % len(junk)]
            yield (
                f"{form.method} {field}={value[:40]!r}",
                lambda value=value, field=field: send(form.address, {**form.fields, field: [value]}),
            )
        less = {other: values for other, values in form.fields.items() if other != field}
        if place < rounds:
            yield f"{form.method} without {field}", lambda less=less: send(form.address, less)
    for value in junk[len(names) : len(names) + ALL_AT_ONCE * rounds] if names else ():
        all_junk = {name: [value, value] for name in names}
        yield f"{form.method} all {value[:40]!r}", lambda all_junk=all_junk: send(form.address, all_junk)
