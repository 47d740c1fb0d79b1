"""Finding records by what somebody remembers of them: every word, in any order, in any field of a search."""

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
"""Words that are looked for; whoever pastes a letter into a search box has its first words looked for."""

SHORTEST_INDEXED: Final = 3
"""Signs of the shortest word that an index of trigrams can look up."""

MOST_INDEXED: Final = 3
"""Words of a search that are looked up in indexes: the ones that should say the most."""

FEW: Final = 500
"""Records that hold a word, up to which they are all looked through rather than the list."""

SAMPLE: Final = 100
"""Records that are looked at to see whether most hold a word."""

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


Sources = Mapping[str, Sequence[QuerySet[Any]]]
"""Questions for keys, by the field of a record that has such a key."""


@dataclass(frozen=True)
class WordSearch:
    """How one kind of record is searched for a word, in two ways that say the same.

    ``sources`` gives questions that an index answers: a record has the word if any of them names it.
    ``holds`` looks into one record.
    """

    sources: Callable[[str], Sources]
    holds: Callable[[str], Q]


def every_word(records: Rows, text: str, search: WordSearch) -> Rows:
    """Records of which each word of a text holds; a telephone number typed with gaps is one word as well."""
    words = words_of(text) or [text]
    wanted = _all_of(words, records, search)
    if len(words) == 1 or not _is_phone(text):
        return records.filter(wanted)
    number = _all_of([text], records, search)
    if _has_trigrams(records):
        return records.filter(wanted | number)
    every = records.model._base_manager  # SQLite would read sets joined by "or" twice
    return records.filter(pk__in=any_of(*(every.filter(way).values("pk") for way in (wanted, number))))


def _has_trigrams(records: QuerySet[Any]) -> bool:
    return connections[records.db].vendor == "postgresql"


def _all_of(words: list[str], records: QuerySet[Any], search: WordSearch) -> Q:
    """Choose how to look for words: from a word that few records hold, or along the list where none is.

    That somebody lives in a lane says little: reading all those records to show a page of them in order takes
    longer than reading the list in its order up to a full page. Words of one or two signs are in no index;
    they are looked for in records that have the others, and so are words that most records hold.
    """
    ranked = sorted(words, key=_rarity, reverse=True)
    if not _has_trigrams(records):
        # SQLite reads tables through for what it looks up: that is done for one word.
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
    """Look up the records that sources name; None if there are many."""
    few = Q()
    for field, questions in sources.items():
        keys = list(any_of(*questions)[: FEW + 1])
        if len(keys) > FEW:
            return None
        few |= Q(**{f"{field}__in": set(keys)})
    return few


def _among(sources: Sources) -> Q | None:
    """Whether a record is among those that sources name, whose keys are read once for a whole list.

    None where there is one question: it is about the record's own table, and PostgreSQL knows what to do.
    """
    ways = [Q(**{f"{field}__in": keys}) for field, many in sources.items() for keys in many]
    return reduce(or_, ways) if len(ways) > 1 else None


def _any(sources: Sources, records: QuerySet[Any]) -> Q:
    """Say what `_among` says by one set of keys: SQLite would read several joined by "or" twice."""
    every = records.model._base_manager
    ways = ((every.filter(**{f"{field}__in": any_of(*many)}).values("pk")) for field, many in sources.items())
    return Q(pk__in=any_of(*ways))


def _in_most(word: str, records: QuerySet[Any], search: WordSearch) -> bool:
    """Say whether more than half of the records hold a word, judging by some from all over the table.

    They are drawn, the same ones each time: even steps might meet the houses of one street only.
    """
    every = records.model._base_manager.all()
    ends = every.aggregate(first=Min("pk"), last=Max("pk"))
    numbers = range(ends["first"] or 0, (ends["last"] or 0) + 1)
    keys = Random(1).sample(numbers, min(SAMPLE, len(numbers)))  # noqa: S311 - nothing secret
    return every.filter(search.holds(word), pk__in=keys).count() * 2 > len(keys)


def _rarity(word: str) -> tuple[bool, int]:
    """Guess how few records hold a word: the longer the fewer, and numbers tell more than letters."""
    return len(word) >= SHORTEST_INDEXED, len(word) + 2 * len(_digits(word))


def phone_has(word: str, field: str) -> Q:
    """Records whose phone holds what was typed, however either is written; that takes four digits."""
    if _is_phone(word):
        return Q(Contains(_without(field, PHONE_SIGNS), Value(_digits(word))))
    return Q(**{f"{field}__icontains": word})


def code_has(word: str, field: str) -> Q:
    """Records whose code holds what was typed, with or without the hyphens of either."""
    plain = "".join(sign for sign in word if sign not in CODE_SIGNS)
    if plain:
        return Q(IContains(_without(field, CODE_SIGNS), Value(plain)))
    return Q(**{f"{field}__icontains": word})


def some(rows: QuerySet[Any]) -> Q:
    """Whether there are such rows, looked up for one record at a time.

    It is ``Exists``, but PostgreSQL may answer that from all rows of the table at once, which takes long if
    the page is full after a few.
    """
    return Q(IsNull(Subquery(rows.order_by().values("pk")[:1]), False))


def any_of(first: QuerySet[Any], *others: QuerySet[Any]) -> QuerySet[Any]:
    """Put together what several questions find, each of which gives keys of the same kind of record.

    A question of its own is answered through the indexes of its table; asked together with "or", across
    tables, each would be asked of every row. A key may come twice.
    """
    return first.order_by().union(*(other.order_by() for other in others), all=True)


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
