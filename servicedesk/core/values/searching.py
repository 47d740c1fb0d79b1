"""Finding records by what somebody remembers of them: every word, in any order, in any field of a search."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import reduce
from operator import and_
from typing import Any, Final, TypeVar

from django import forms
from django.db.models import F, Q, QuerySet, Value
from django.db.models.expressions import Combinable
from django.db.models.functions import Replace
from django.db.models.lookups import Contains, IContains

from servicedesk.core.values.typed import LONGEST_SCRAP, read_scrap

Rows = TypeVar("Rows", bound=QuerySet[Any])

MOST_WORDS: Final = 12
"""Words that are looked for; whoever pastes a letter into a search box has its first words looked for."""

PHONE_SIGNS: Final = " -.()+/"
CODE_SIGNS: Final = "- ./_"

_BETWEEN = re.compile(r"[\s,;]+")
_AROUND = "().:!?\"'“”‘’"


class ScrapField(forms.CharField):
    """A search box: whatever is typed is looked for, and nothing is refused."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=LONGEST_SCRAP, required=False, **kwargs)

    def to_python(self, value: Any) -> str:
        """Read what is looked for."""
        return read_scrap(super().to_python(value))


def words_of(text: str) -> list[str]:
    """Take what was typed apart into words, each once; commas and marks around a word don't count."""
    words = [word.strip(_AROUND) or word for word in _BETWEEN.split(text) if word]
    return list(dict.fromkeys(words))[:MOST_WORDS]


def every_word(records: Rows, text: str, *, indexed: Callable[[str], Q], holds: Callable[[str], Q]) -> Rows:
    """Records of which each word of a text holds; a telephone number typed with gaps is one word as well.

    ``indexed`` looks for a word in all records through the indexes, ``holds`` looks whether one record has
    it. Both say the same. The word that fewest records should have is looked for, and what it finds is looked
    through for the others: that somebody lives in a lane says little.
    """
    words = words_of(text) or [text]
    first, *others = sorted(words, key=_rarity, reverse=True)
    wanted = reduce(and_, map(holds, others), indexed(first))
    if len(words) == 1 or not _is_phone(text):
        return records.filter(wanted)
    every = records.model._base_manager
    ways = any_of(every.filter(wanted).values("pk"), every.filter(indexed(text)).values("pk"))
    return records.filter(pk__in=ways)


def _rarity(word: str) -> int:
    """Guess how few records hold a word: the longer the fewer, and numbers tell more than letters."""
    return len(word) + 2 * len(_digits(word))


def phone_has(word: str, field: str) -> Q:
    """Records whose phone holds what was typed, however either is written; that takes four digits."""
    as_typed = Q(**{f"{field}__icontains": word})
    return (
        as_typed | Q(Contains(_without(field, PHONE_SIGNS), Value(_digits(word))))
        if _is_phone(word)
        else as_typed
    )


def code_has(word: str, field: str) -> Q:
    """Records whose code holds what was typed, with or without the hyphens of either."""
    plain = "".join(sign for sign in word if sign not in CODE_SIGNS)
    as_typed = Q(**{f"{field}__icontains": word})
    return as_typed | Q(IContains(_without(field, CODE_SIGNS), Value(plain))) if plain else as_typed


def any_of(first: QuerySet[Any], *others: QuerySet[Any]) -> QuerySet[Any]:
    """Unite what several questions find, each of which gives keys of the same kind of record.

    A question of its own is answered through the indexes of its table; asked together with "or", across
    tables, each would be asked of every row.
    """
    return first.order_by().union(*(other.order_by() for other in others))


def upper(column: str) -> str:
    """Write as SQL what is held against a scrap whatever its case: what Django asks PostgreSQL."""
    return f"UPPER({column}::text)"


def bare(column: str, signs: str) -> str:
    """Write as SQL a column stripped of the signs that people put between its digits or letters."""
    return reduce(lambda sql, sign: f"REPLACE({sql}, '{sign}', '')", signs, column)


def _digits(text: str) -> str:
    return "".join(sign for sign in text if sign.isdecimal())


def _is_phone(text: str) -> bool:
    return len(_digits(text)) >= 4 and all(sign.isdecimal() or sign in PHONE_SIGNS for sign in text)


def _without(field: str, signs: str) -> Combinable:
    """Strip a stored value of what people put between its digits or letters."""
    value: Combinable = F(field)
    for sign in signs:
        value = Replace(value, Value(sign), Value(""))
    return value
