"""Full-text search of records: every word, in any order, in any of the searched fields."""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import reduce
from operator import and_, or_
from random import Random
from typing import Any, Final, TypeVar

from django import forms
from django.db import connections
from django.db.models import F, Max, Min, Q, QuerySet, Subquery, Value
from django.db.models.expressions import Combinable
from django.db.models.functions import Replace
from django.db.models.lookups import Contains, IContains, IsNull

from servicedesk.core.values.typed import LONGEST_SCRAP, read_scrap

Rows = TypeVar("Rows", bound=QuerySet[Any])

MOST_WORDS: Final = 12
"""Most words that are searched; of a longer text only the first ones are."""

SHORTEST_INDEXED: Final = 3
"""Fewest characters of a word that a trigram index can look up."""

MOST_INDEXED: Final = 3
"""Most words of a search that are looked up in indexes: the most selective ones."""

FEW: Final = 500
"""Number of matches up to which a word is looked up in the index rather than along the list."""

SAMPLE: Final = 100
"""Size of the sample that estimates whether most records match."""

PHONE_SIGNS: Final = " -.()+/"
CODE_SIGNS: Final = "- ./_"

_BETWEEN = re.compile(r"[\s,;]+")
_AROUND = "().:!?\"'“”‘’"


class ScrapField(forms.CharField):
    """Search field: accepts any text."""

    def __init__(self, **kwargs: Any) -> None:
        super().__init__(max_length=LONGEST_SCRAP, required=False, **kwargs)

    def to_python(self, value: Any) -> str:
        """Read the searched text."""
        return read_scrap(super().to_python(value))


def words_of(text: str) -> list[str]:
    """Split a search into distinct words; commas and punctuation around a word are ignored."""
    words = [word.strip(_AROUND) or word for word in _BETWEEN.split(text) if word]
    return list(dict.fromkeys(words))[:MOST_WORDS]


Sources = Mapping[str, Sequence[QuerySet[Any]]]
"""Subqueries for keys, by the field of a record that has such a key."""


@dataclass(frozen=True)
class WordSearch:
    """How one kind of record is searched for a word, in two equivalent ways.

    ``sources`` returns subqueries that an index answers: a record matches if any of them contains it.
    ``holds`` tests one record.
    """

    sources: Callable[[str], Sources]
    holds: Callable[[str], Q]


def every_word(records: Rows, text: str, search: WordSearch) -> Rows:
    """Records that match every word of a text; a telephone number typed with gaps is one word as well."""
    words = words_of(text) or [text]
    wanted = _all_of(words, records, search)
    if len(words) == 1 or not _is_phone(text):
        return records.filter(wanted)
    number = _all_of([text], records, search)
    if _has_trigrams(records):
        return records.filter(wanted | number)
    every = records.model._base_manager  # SQLite would evaluate sets joined by OR twice
    return records.filter(pk__in=any_of(*(every.filter(way).values("pk") for way in (wanted, number))))


def _has_trigrams(records: QuerySet[Any]) -> bool:
    return connections[records.db].vendor == "postgresql"


def _all_of(words: list[str], records: QuerySet[Any], search: WordSearch) -> Q:
    """Choose the query plan: from the index of a selective word, or along the list where there is none.

    A word in many addresses is not selective: reading all those records to show a page of them in order takes
    longer than reading the list in its order up to a full page. Words of one or two characters are in no
    index; they are tested on records that match the others, and so are words that most records match.
    """
    ranked = sorted(words, key=_rarity, reverse=True)
    if not _has_trigrams(records):
        # SQLite scans tables for what it looks up: that is done for one word.
        first, *others = ranked
        start = (
            search.holds(first) if _in_most(first, records, search) else _any(search.sources(first), records)
        )
        return reduce(and_, map(search.holds, others), start)
    sources = {
        word: search.sources(word)
        for word in [word for word in ranked if len(word) >= SHORTEST_INDEXED][:MOST_INDEXED]
    }
    for word in sources:
        if (few := _few(sources[word])) is not None:
            return reduce(and_, (search.holds(other) for other in ranked if other != word), few)
    ways = {word: _among(sources[word]) for word in sources if not _in_most(word, records, search)}
    return reduce(and_, (ways.get(word) or search.holds(word) for word in ranked))


def _few(sources: Sources) -> Q | None:
    """Keys that subqueries select; None if there are many."""
    few = Q()
    for field, questions in sources.items():
        keys = list(any_of(*questions)[: FEW + 1])
        if len(keys) > FEW:
            return None
        few |= Q(**{f"{field}__in": set(keys)})
    return few


def _among(sources: Sources) -> Q | None:
    """Condition that a record is in one of several subqueries, whose keys are read once for a whole list.

    None where there is one subquery: it is about the record's own table, and PostgreSQL plans it well.
    """
    ways = [Q(**{f"{field}__in": keys}) for field, many in sources.items() for keys in many]
    return reduce(or_, ways) if len(ways) > 1 else None


def _any(sources: Sources, records: QuerySet[Any]) -> Q:
    """Condition of `_among` as one set of keys: SQLite would evaluate several joined by OR twice."""
    every = records.model._base_manager
    ways = ((every.filter(**{f"{field}__in": any_of(*many)}).values("pk")) for field, many in sources.items())
    return Q(pk__in=any_of(*ways))


def _in_most(word: str, records: QuerySet[Any], search: WordSearch) -> bool:
    """Estimate whether more than half of the records match a word, from a sample of the whole table.

    The sample is random with a fixed seed: even steps might select the houses of one street only.
    """
    every = records.model._base_manager.all()
    ends = every.aggregate(first=Min("pk"), last=Max("pk"))
    numbers = range(ends["first"] or 0, (ends["last"] or 0) + 1)
    keys = Random(1).sample(numbers, min(SAMPLE, len(numbers)))  # noqa: S311  # nosec B311 - nothing secret
    return every.filter(search.holds(word), pk__in=keys).count() * 2 > len(keys)


def _rarity(word: str) -> tuple[bool, int]:
    """Estimated selectivity of a word: the longer the more selective, and numbers more than letters."""
    return len(word) >= SHORTEST_INDEXED, len(word) + 2 * len(_digits(word))


def phone_has(word: str, field: str) -> Q:
    """Condition on a phone field that ignores how either number is written; needs at least four digits."""
    if _is_phone(word):
        return Q(Contains(_without(field, PHONE_SIGNS), Value(_digits(word))))
    return Q(**{f"{field}__icontains": word})


def code_has(word: str, field: str) -> Q:
    """Condition on a code field that ignores hyphens on either side."""
    plain = "".join(sign for sign in word if sign not in CODE_SIGNS)
    if plain:
        return Q(IContains(_without(field, CODE_SIGNS), Value(plain)))
    return Q(**{f"{field}__icontains": word})


def some(rows: QuerySet[Any]) -> Q:
    """Correlated subquery that tests whether such rows exist, one record at a time.

    It is ``Exists``, but PostgreSQL may answer that from all rows of the table at once, which is slow if
    the page is full after a few.
    """
    return Q(IsNull(Subquery(rows.order_by().values("pk")[:1]), False))


def any_of(first: QuerySet[Any], *others: QuerySet[Any]) -> QuerySet[Any]:
    """Union of several subqueries, each of which selects keys of the same kind of record.

    Each subquery is answered through the indexes of its own table; joined by OR across
    tables, each would be evaluated for every row. A key may occur twice.
    """
    return first.order_by().union(*(other.order_by() for other in others), all=True)


def upper(column: str) -> str:
    """SQL of a column compared without regard to case, as Django writes it for PostgreSQL."""
    return f"UPPER({column}::text)"


def bare(column: str, signs: str) -> str:
    """SQL of a column without the punctuation that people put between its digits or letters."""
    return reduce(lambda sql, sign: f"REPLACE({sql}, '{sign}', '')", signs, column)


def _digits(text: str) -> str:
    return "".join(sign for sign in text if sign.isdecimal())


def _is_phone(text: str) -> bool:
    return len(_digits(text)) >= 4 and all(sign.isdecimal() or sign in PHONE_SIGNS for sign in text)


def _without(field: str, signs: str) -> Combinable:
    """Expression of a stored value without the punctuation between its digits or letters."""
    value: Combinable = F(field)
    for sign in signs:
        value = Replace(value, Value(sign), Value(""))
    return value
