"""Every search box finds a record by all the words that were typed, in any order."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date
from functools import reduce
from operator import or_

import pytest
from django.db.models import Model, Q
from django.test import Client
from django.utils import timezone
from pytest_django import DjangoAssertNumQueries

from servicedesk.calls.models import Call
from servicedesk.calls.querysets import CALLS
from servicedesk.core.values.searching import CODE_SIGNS, FEW, MOST_WORDS, PHONE_SIGNS, WordSearch, words_of
from tests.factories import (
    CallFactory,
    CustomerFactory,
    InstalledPartFactory,
    OwnershipFactory,
    SiteFactory,
    UnitFactory,
)
from units.models import Customer, Ownership, Site, Unit
from units.querysets import CUSTOMERS, SITES, UNITS

pytestmark = pytest.mark.django_db

BOXES = {
    "sites": "/sites/",
    "units": "/units/",
    "calls": "/calls/",
    "a caller's site": "/calls/log/",
    "site of a visit": "/visits/plan/",
    "who does the care": "/who-does-the-care/",
    "stickers": "/stickers/?sheet=a4-21",
}
ADDRESS = "168 Marlinspike Lane, Kestrel Point"
SCRAPS = [
    "marlinspike 168",
    "168 marlinspike lane kestrel",
    "Kestrel Point, Marlinspike",
    "168 Marlinspike Lane,Kestrel Point",
    "probeson marlinspike",
    "marlinspike 21409",
    "5550100144",
    "555-010-0144",
    "(555) 010 0144",
    "probeson 0144",
    "s900 1",
    "S9001",
    "s-900-1",
    "Marlinspike S9001",
    "“Marlinspike”",
]


@pytest.fixture
def place() -> Site:
    site = SiteFactory.create(code="P-900", address=ADDRESS, postcode="21409")
    customer = CustomerFactory.create(name="Ada Probeson", phone="(555) 010-0144")
    OwnershipFactory.create(site=site, customer=customer)
    UnitFactory.create(site=site, code="S900-1")
    CallFactory.create(site=site, words="will not stay up", reported_at=timezone.now())
    other = SiteFactory.create(code="P-901", address="12 Marlin Road, Elsewhere", postcode="30303")
    OwnershipFactory.create(
        site=other, customer=CustomerFactory.create(name="Bo Nobody", phone="555 010 7777")
    )
    UnitFactory.create(site=other, code="X77-2")
    CallFactory.create(site=other, words="stiff", reported_at=timezone.now())
    return site


def shown(client: Client, url: str, scrap: str) -> str:
    query, _, more = url.partition("?")
    entries = dict(pair.split("=") for pair in more.split("&") if pair)
    return client.get(query, {**entries, "q": scrap}).content.decode()


@pytest.mark.parametrize("box", BOXES)
@pytest.mark.parametrize("scrap", SCRAPS)
def test_words_in_any_order_find_the_place(as_scheduler: Client, place: Site, box: str, scrap: str) -> None:
    page = shown(as_scheduler, BOXES[box], scrap)
    here, there = (
        ("S900-1", "X77-2") if box in ("units", "stickers") else ("168 Marlinspike", "12 Marlin Road")
    )
    assert here in page
    assert there not in page


@pytest.mark.parametrize("box", BOXES)
def test_a_word_that_nothing_holds_finds_nothing(as_scheduler: Client, place: Site, box: str) -> None:
    page = shown(as_scheduler, BOXES[box], "marlinspike zzz")
    assert "168 Marlinspike" not in page
    assert ">S900-1<" not in page


@pytest.mark.parametrize("scrap", ["probeson ada", "Probeson, Ada", "ada 0144", "5550100144", "555 010 0144"])
def test_customers_by_words_in_any_order(as_scheduler: Client, place: Site, scrap: str) -> None:
    page = shown(as_scheduler, "/customers/", scrap)
    assert "Ada Probeson" in page
    assert "Bo Nobody" not in page


def test_due_work_by_words_in_any_order(as_scheduler: Client, place: Site) -> None:
    assert "Nothing matches" in shown(as_scheduler, "/due/", "marlinspike zzz")
    assert as_scheduler.get("/due/", {"q": "168, marlinspike"}).status_code == 200


def test_what_a_caller_said_and_where_together(as_scheduler: Client, place: Site) -> None:
    page = shown(as_scheduler, "/calls/", "stay up marlinspike")
    assert "168 Marlinspike" in page


@pytest.mark.parametrize(
    "word", ["MARLIN", "p900", "21409", "probeson", "5550100144", "0144", "s9001", "L-4", "stay", "r-77", "x"]
)
@pytest.mark.parametrize(
    ("model", "search"), [(Unit, UNITS), (Site, SITES), (Call, CALLS), (Customer, CUSTOMERS)]
)
def test_looking_for_a_word_and_looking_through_a_record_say_the_same(
    place: Site, model: type[Model], search: WordSearch, word: str
) -> None:
    InstalledPartFactory.create(unit=Unit.objects.get(code="S900-1"), lot="L-44")
    Call.objects.filter(site=place).update(ref="R-77")
    rows = model._base_manager.order_by("pk")
    sources = search.sources(word).items()
    named = reduce(or_, (Q(**{f"{field}__in": keys}) for field, many in sources for keys in many))
    assert list(rows.filter(named)) == list(rows.filter(search.holds(word)))


def holds_every_word(texts: Iterable[str], scrap: str) -> bool:
    """Say without a database whether each word of a scrap is in one of some texts."""
    upper = [text.upper() for text in texts]
    bare = ["".join(sign for sign in text if sign not in CODE_SIGNS + PHONE_SIGNS) for text in upper]
    return all(any(word in text for text in upper + bare) for word in scrap.upper().split())


@pytest.fixture
def town() -> dict[int, list[str]]:
    """More houses than are looked through one by one, with what is known of each by its key."""
    houses = [
        Site(
            code=f"T-{n:03d}",
            address=f"{n} {('Alder', 'Birch', 'Cedar')[n % 3 % 2]} Lane" if n % 10 else f"{n} Harbor Walk",
            postcode=f"{21400 + n % 7}",
        )
        for n in range(3 * FEW)
    ]
    houses = Site.objects.bulk_create(houses)
    names = ("Abbott", "Barlow")
    customers = Customer.objects.bulk_create(
        Customer(name=f"{names[n % 3 % 2]} {n}", phone=f"555-01{n // 100:02d}-{n % 100:04d}")
        for n in range(len(houses))
    )
    Ownership.objects.bulk_create(
        Ownership(site=house, customer=customer, from_on=date(2020, 1, 1))
        for house, customer in zip(houses, customers, strict=True)
    )
    return {
        house.pk: [house.code, house.address, house.postcode, customer.name, customer.phone]
        for house, customer in zip(houses, customers, strict=True)
    }


COMMON = [
    "alder",
    "birch",
    "lane",
    "harbor walk",
    "birch lane",
    "lane 2140",
    "alder abbott",
    "alder barlow",
    "birch barlow 7",
    "abbott 1",
    "barlow 97",
    "lane 31",
    "t0 lane",
    "7 3",
    "555 0101",
    "555 abbott lane 2 0",
    "lane zq",
    "lane nobody",
]


@pytest.mark.parametrize("scrap", COMMON)
def test_words_that_many_records_hold(town: dict[int, list[str]], scrap: str) -> None:
    expected = {key for key, texts in town.items() if holds_every_word(texts, scrap)}
    assert set(Site.objects.matching(scrap).values_list("pk", flat=True)) == expected
    units = Unit.objects.bulk_create(
        Unit(site_id=key, code=f"XX-{n}X", place="porch", installed_on=date(2020, 1, 1))
        for n, key in enumerate(town)
    )
    calls = Call.objects.bulk_create(
        Call(site_id=key, words="sticks", reported_at=timezone.now()) for key in town
    )
    codes = {unit.site_id: unit.code for unit in units}
    here = {key for key, texts in town.items() if holds_every_word([*texts, codes[key], "porch"], scrap)}
    said = {key for key, texts in town.items() if holds_every_word([*texts, codes[key], "sticks"], scrap)}
    assert set(Unit.objects.matching(scrap).values_list("site", flat=True)) == here
    assert set(Call.objects.matching(scrap).values_list("site", flat=True)) == said
    assert len(calls) == len(units) == len(town)


@pytest.mark.parametrize("scrap", ["lane", "lane 1", "birch abbott"])
def test_many_houses_without_a_window_or_a_call(town: dict[int, list[str]], scrap: str) -> None:
    assert not Unit.objects.matching(scrap).exists()
    assert not Call.objects.matching(scrap).exists()


def test_a_search_asks_no_more_questions_for_more_words(
    town: dict[int, list[str]], django_assert_max_num_queries: DjangoAssertNumQueries
) -> None:
    common = ["lane", "555", "owner", "010", "alder", "abbott", "2140"]
    with django_assert_max_num_queries(10):
        list(Site.objects.matching(" ".join(common)).order_by("code")[:51])


@pytest.mark.parametrize(
    "scrap", ["%", "_", ",", ", ,", "'", "\\", "x" * 20_000, "a b " * 5_000, "1 " * 500, "\0"]
)
@pytest.mark.parametrize("url", [*BOXES.values(), "/customers/", "/due/"])
def test_whatever_is_typed_is_answered(as_scheduler: Client, place: Site, url: str, scrap: str) -> None:
    path, _, more = url.partition("?")
    entries = dict(pair.split("=") for pair in more.split("&") if pair)
    assert as_scheduler.get(path, {**entries, "q": scrap}).status_code == 200


def test_a_long_word_is_no_wildcard() -> None:
    CustomerFactory.create(name="A_b% Probeson")
    CustomerFactory.create(name="Axbc Probeson")
    assert [each.name for each in Customer.objects.matching("a_b%")] == ["A_b% Probeson"]


def test_words_are_told_apart() -> None:
    assert words_of("168 Marlinspike Ln., Kestrel  168") == ["168", "Marlinspike", "Ln", "Kestrel"]
    assert words_of("...") == ["..."]
    assert len(words_of(" ".join(f"w{n}" for n in range(40)))) == MOST_WORDS
