"""Keyset pagination of long lists: a page far down costs what the first one costs."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from django.core.exceptions import ValidationError
from django.db.models import Model, Q, QuerySet
from django.http import QueryDict

from servicedesk.core.values.typed import read_token, write_token

Row = TypeVar("Row", bound=Model)


@dataclass(frozen=True)
class KeyPage(Generic[Row]):
    """One page of a list: its rows, and the tokens of the pages before and after ("" where there is none)."""

    rows: list[Row]
    earlier: str
    later: str


def _token(row: Model, names: Sequence[str]) -> str:
    return write_token(getattr(row, name) for name in names)


def _values(queryset: QuerySet[Any], names: Sequence[str], token: str) -> list[Any] | None:
    """Decode a token; a malformed one means the first page rather than an error."""
    texts = read_token(token)
    if texts is None:
        return None
    try:
        fields = [queryset.model._meta.get_field(name) for name in names]
        return [field.to_python(value) for field, value in zip(fields, texts, strict=True)]
    except (ValueError, TypeError, ArithmeticError, ValidationError):
        return None


def _beyond(names: Sequence[str], values: Sequence[Any], *, onward: bool) -> Q:
    """Condition of rows after (or before) the key in the order of its fields; "-name" is descending."""
    beyond = Q()
    for last in range(len(names)):
        same = {names[i].lstrip("-"): values[i] for i in range(last)}
        downward = names[last].startswith("-")
        way = "lt" if onward == downward else "gt"
        beyond |= Q(**same, **{f"{names[last].lstrip('-')}__{way}": values[last]})
    return beyond


def _turned(names: Sequence[str]) -> list[str]:
    return [name[1:] if name.startswith("-") else f"-{name}" for name in names]


def key_page(
    queryset: QuerySet[Row], params: QueryDict, *, order: Sequence[str], size: int = 50
) -> KeyPage[Row]:
    """Page that the query string selects (``after=`` or ``before=``); ``order`` must end unique."""
    names = [name.lstrip("-") for name in order]
    backward = "before" in params
    values = _values(queryset, names, params.get("before") or params.get("after") or "")
    ordered = queryset.order_by(*(_turned(order) if backward else order))
    if values is not None:
        ordered = ordered.filter(_beyond(order, values, onward=not backward))
    fetched = list(ordered[: size + 1])
    more, rows = len(fetched) > size, fetched[:size]
    if backward:
        rows.reverse()
    has_earlier = more if backward else values is not None
    has_later = backward or more
    return KeyPage(
        rows=rows,
        earlier=_token(rows[0], names) if rows and has_earlier else "",
        later=_token(rows[-1], names) if rows and has_later else "",
    )
