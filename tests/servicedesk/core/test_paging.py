"""Pages by key: every row once, in order, both ways."""

from __future__ import annotations

import pytest
from django.http import QueryDict
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra.django import TestCase

from servicedesk.core.web.paging import KeyPage, key_page
from tests.factories import CustomerFactory
from units.models import Customer


def walk(order: tuple[str, ...], size: int, way: str = "after") -> list[list[str]]:
    """Turn pages until there is none further."""
    query, pages = QueryDict(), []
    while True:
        page: KeyPage[Customer] = key_page(Customer.objects.all(), query, order=order, size=size)
        pages.append([customer.name for customer in page.rows])
        token = page.later if way == "after" else page.earlier
        if not token:
            return pages
        query = QueryDict(f"{way}={token}")


class Walks(TestCase):
    """Whatever the names are, turning pages shows each customer once."""

    @given(names=st.lists(st.sampled_from(["Ada", "Bo", "Cy", "Di"]), max_size=9), size=st.integers(1, 4))
    def test_every_row_once_in_order(self, names: list[str], size: int) -> None:
        Customer.objects.all().delete()
        for name in names:
            CustomerFactory(name=name)
        seen = [name for page in walk(("name", "id"), size) for name in page]
        assert seen == sorted(names)
        downward = [name for page in walk(("-name", "id"), size) for name in page]
        assert downward == sorted(names, reverse=True)


@pytest.mark.django_db
def test_back_leads_to_where_one_came_from() -> None:
    for name in "abcdefg":
        CustomerFactory(name=name)
    first = key_page(Customer.objects.all(), QueryDict(), order=("name", "id"), size=3)
    second = key_page(Customer.objects.all(), QueryDict(f"after={first.later}"), order=("name", "id"), size=3)
    back = key_page(
        Customer.objects.all(), QueryDict(f"before={second.earlier}"), order=("name", "id"), size=3
    )
    assert [row.name for row in second.rows] == ["d", "e", "f"]
    assert [row.name for row in back.rows] == ["a", "b", "c"]
    assert back.earlier == ""
    assert back.later


@pytest.mark.django_db
@pytest.mark.parametrize("token", ["x", "!!!", "WyJhIl0", "bnVsbA", "e30"])
def test_a_mangled_token_shows_the_first_page(token: str) -> None:
    CustomerFactory(name="a")
    page = key_page(Customer.objects.all(), QueryDict(f"after={token}"), order=("name", "id"))
    assert [row.name for row in page.rows] == ["a"]
    assert page.earlier == ""
