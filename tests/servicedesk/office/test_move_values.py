"""Values read from a SQLite file and written down alike, whichever database they were read from."""

from __future__ import annotations

from datetime import UTC, date, datetime, time
from decimal import Decimal
from typing import Any
from uuid import UUID

import pytest

from servicedesk.office.database_move.kinds import KINDS, kind_of
from servicedesk.office.database_move.tables import desk_tables
from units.models import Site, Unit

WIDTH, LATITUDE = Unit._meta.get_field("width_mm"), Site._meta.get_field("latitude")


@pytest.mark.parametrize(
    ("name", "raw", "value"),
    [
        ("DateField", "2024-02-29", date(2024, 2, 29)),
        ("DateTimeField", "2024-02-29 07:08:09.000010", datetime(2024, 2, 29, 7, 8, 9, 10, UTC)),
        ("DateTimeField", "2024-02-29 07:08:09+02:00", datetime(2024, 2, 29, 5, 8, 9, tzinfo=UTC)),
        ("TimeField", "07:08:00", time(7, 8)),
        ("BooleanField", 1, True),
        ("BooleanField", 0, False),
        ("FloatField", 3, 3.0),
        ("UUIDField", "0123456789abcdef0123456789abcdef", UUID("01234567-89ab-cdef-0123-456789abcdef")),
        ("BinaryField", b"\0\xff", b"\0\xff"),
    ],
)
def test_values_are_read_as_they_lie_in_the_file(name: str, raw: Any, value: Any) -> None:
    assert KINDS[name].read(raw) == value
    assert type(KINDS[name].read(raw)) is type(value)


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("DateField", "2024-02-30"),
        ("DateField", "soon"),
        ("DateField", 20240229),
        ("DateTimeField", "2024-02-29 25:00:00"),
        ("TimeField", "7 o'clock"),
        ("BooleanField", 2),
        ("BooleanField", "yes"),
        ("BigIntegerField", 1.5),
        ("BigIntegerField", "many"),
        ("FloatField", "much"),
        ("CharField", b"bytes"),
        ("UUIDField", "0123"),
        ("JSONField", "{"),
        ("JSONField", '{"a": NaN}'),
    ],
)
def test_what_is_no_value_of_its_kind_is_not_read_as_nothing(name: str, raw: Any) -> None:
    with pytest.raises((ValueError, TypeError)):
        KINDS[name].read(raw)


@pytest.mark.parametrize(
    ("raw", "value"),
    [
        (914.4, "914.400000"),
        (0.1 + 0.2, "0.300000"),
        (1219, "1219.000000"),
        (-0.0, "0.000000"),
        (9999.999999, "9999.999999"),
    ],
)
def test_decimals_have_the_places_of_their_column(raw: float, value: str) -> None:
    kind = kind_of(WIDTH)
    assert kind.read(raw) == Decimal(value)
    assert kind.plain is not None
    assert kind.plain(kind.read(raw)) == value


@pytest.mark.parametrize("raw", ["wide", float("inf"), b"1"])
def test_no_decimal_is_told(raw: Any) -> None:
    with pytest.raises(ValueError, match="is no number"):
        kind_of(LATITUDE).read(raw)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ('{"b": 1, "a": [true, null]}', '{"a": [true, null], "b": 1}'),
        ("1e2", "100"),  # PostgreSQL keeps numbers in JSON as numeric: chapter 8.14 of its manual
        ("1.0", "1.00"),
        ("-0.0", "0.0"),
        ("1e22", "10000000000000000000000"),
        ('{"a": 1, "a": 2}', '{"a": 2}'),  # and of two equal keys the last
        ('"\\u00e9"', '"é"'),
    ],
)
def test_json_that_means_the_same_is_the_same(one: str, other: str) -> None:
    plain = KINDS["JSONField"].plain
    assert plain is not None
    assert plain(one) == plain(other)


@pytest.mark.parametrize(
    ("one", "other"),
    [
        ("1", "2"),
        ("1", '"1"'),
        ("0.1", "0.10000000000000001"),
        ("null", "0"),
        ("[1, 2]", "[2, 1]"),
        ("1", "true"),
    ],
)
def test_json_that_means_something_else_differs(one: str, other: str) -> None:
    plain = KINDS["JSONField"].plain
    assert plain is not None
    assert plain(one) != plain(other)


def test_tables_follow_those_they_point_at() -> None:
    tables = desk_tables()
    places = {table.name: place for place, table in enumerate(tables)}
    early = [
        (table.name, field.column)
        for table in tables
        for field in table.model._meta.concrete_fields
        if field.related_model and places[field.related_model._meta.db_table] > places[table.name]
    ]
    assert early == []
    assert {"people_user_groups", "auth_group_permissions", "django_session"} <= set(places)
    assert "django_migrations" not in places
