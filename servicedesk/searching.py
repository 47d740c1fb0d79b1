"""Finding records by what somebody remembers of them: every word, in any order, in any field of a search."""

from __future__ import annotations

import re
from collections.abc import Callable
from functools import reduce
from operator import and_
from typing import Any, Final

from django import forms
from django.db.models import F, Q, Value
from django.db.models.expressions import Combinable
from django.db.models.functions import Replace
from django.db.models.lookups import Contains, IContains

from servicedesk.typed import LONGEST_SCRAP, read_scrap

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


def every_word(text: str, has: Callable[[str], Q]) -> Q:
    """Records of which each word of a text holds; a telephone number typed with gaps is one word as well."""
    words = words_of(text) or [text]
    wanted = reduce(and_, [has(word) for word in words])
    return wanted | has(text) if len(words) > 1 and _is_phone(text) else wanted


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
    bare = "".join(sign for sign in word if sign not in CODE_SIGNS)
    as_typed = Q(**{f"{field}__icontains": word})
    return as_typed | Q(IContains(_without(field, CODE_SIGNS), Value(bare))) if bare else as_typed


def _digits(text: str) -> str:
    return "".join(sign for sign in text if sign.isdecimal())


def _is_phone(text: str) -> bool:
    return len(_digits(text)) >= 4 and all(sign.isdecimal() or sign in PHONE_SIGNS for sign in text)


def _without(field: str, signs: str) -> Combinable:
    """Strip a stored value of what people put between its digits or letters."""
    bare: Combinable = F(field)
    for sign in signs:
        bare = Replace(bare, Value(sign), Value(""))
    return bare
