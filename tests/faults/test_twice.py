"""Every form delivered twice, one after the other and at once: what is there is what one delivery makes."""

from __future__ import annotations

from collections import Counter
from typing import Any
from uuid import uuid4

import pytest
from django.apps import apps
from django.test import Client
from django.urls import reverse
from django.utils import timezone

from servicedesk.accounts.models import Role
from servicedesk.calls.models import PhoneRecord
from servicedesk.field.inbox import take_in
from tests.every_address import ALL
from tests.faults.sent_forms import FORMS
from tests.faults.sent_records import Sent, phone_record
from tests.schedules.test_two_writers import at_once

LEAD_NOWHERE = {"accounts:sign_in", "accounts:sign_out"}
"""Forms that make no record: signing in and out."""

ELSEWHERE = {
    "accounts:me": "changes the password one is signed in with; the second delivery is led to the sign-in",
    "accounts:mfa": "needs the secret of its session: sent twice in tests of the second step",
    "accounts:no_mfa": "needs a second step of one's own: as above",
    "schedules:move_visit": "needs a week with rounds: tests of the week sheet send it twice",
}
COUNTED_NOT = {
    "core.tableversion",
    "sessions.session",
    "accounts.usersession",
    "accounts.failedsignin",
    "schedules.clockmark",
}
ADDS_A_LINE = {"core.change", "core.changedfield"}
"""A change told again may leave a second line in the history, which says truly that it was told again."""


TEXTS = {"what", "file", "code", "token", "kind", "secret", "day"}
"""What stands for a word in an address, where anything else stands for a number."""


def held() -> Counter[str]:
    """Count the rows of every table; of links and codes only those in force."""
    rows: Counter[str] = Counter()
    for model in apps.get_models():
        name = model._meta.label_lower
        if name in COUNTED_NOT | ADDS_A_LINE:
            continue
        every = model._base_manager.all()
        if name == "schedules.calendarlink":
            every = every.filter(revoked_at=None)
        rows[name] = every.count()
    return rows


def deliver(client: Client, sent: Sent) -> int:
    """Deliver a form once."""
    if sent.body:
        return client.post(sent.path, sent.body, content_type="application/json").status_code
    return client.post(sent.path, sent.opened()).status_code


def test_every_address_that_takes_a_form_is_tried(as_owner: Client, transactional_db: None) -> None:
    tried = {name.rsplit(" ", 1)[0] for name in FORMS} | LEAD_NOWHERE | set(ELSEWHERE)
    for name in sorted(set(ALL) - tried):
        converters = ALL[name].pattern.converters
        arguments = {key: "x" if key in TEXTS else uuid4() if key == "mark" else 1 for key in converters}
        before = held()
        status = as_owner.post(reverse(name, kwargs=arguments)).status_code
        assert status in {200, 302, 404, 405, 413}, name
        assert held() == before, f"{name} takes a form: add it to the forms that are sent twice"


@pytest.mark.django_db(transaction=True)
@pytest.mark.parametrize("name", sorted(FORMS))
def test_twice_makes_what_once_makes(name: str, user_with: Any) -> None:
    _, _, owner = (user_with(role) for role in Role)  # which makes the groups, too

    def browser(sent: Sent) -> Client:
        client = Client()
        if not sent.anonymous:
            client.force_login(owner)
        return client

    first, second = prepared(name, owner), prepared(name, owner)
    client, others = browser(first), [browser(second), browser(second)]
    before = held()
    status = deliver(client, first)
    made = held() - before, before - held()
    assert status in {200, 302}, status
    again = deliver(client, first)
    assert again in {200, 302, 404, 422}, again
    assert (held() - before, before - held()) == made, "one after the other"
    before = held()
    answers = at_once(*[lambda client=client: deliver(client, second) for client in others])
    assert all(answer in {200, 302, 404, 422} for answer in answers), answers
    assert {200, 302} & set(answers)
    assert (held() - before, before - held()) == made, "at once"


def prepared(name: str, owner: Any) -> Sent:
    """Make a form ready to be sent; a photo of a phone follows its record."""
    sent = FORMS[name]()
    if name == "field:photos":
        sent.data["record"], body = phone_record()
        take_in(body.encode(), by=owner, at=timezone.now())
        assert PhoneRecord.objects.filter(key=sent.data["record"]).exists()
    return sent
