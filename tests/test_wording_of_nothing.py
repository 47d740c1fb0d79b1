"""An empty desk counts in words that fit: nothing of everything."""

from __future__ import annotations

import pytest
from django.contrib.auth.models import Group
from django.test import Client
from django.urls import reverse

from servicedesk.accounts.models import Role
from tests.every_address import ALL
from tests.factories import UserFactory
from tests.test_wording import wording
from units.models import Customer

pytestmark = pytest.mark.django_db


def test_an_empty_desk_counts_in_words_that_fit(client: Client) -> None:
    owner = UserFactory.create()
    owner.groups.add(Group.objects.get_or_create(name=Role.OWNER.value)[0])
    client.force_login(owner)
    plain = [
        name
        for name, pattern in ALL.items()
        if not pattern.pattern.converters and name != "accounts:sign_out"
    ]
    assert Customer.objects.count() == 0
    wrong = {name: wording(client, reverse(name)) for name in sorted(plain)}
    assert {name: lines for name, lines in wrong.items() if lines} == {}
