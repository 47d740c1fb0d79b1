"""Parsing of query parameters and command-line options into a selection."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date

from schedules.models.maintenance import WorkKind
from servicedesk.core.values.typed import read_day
from servicedesk.reports.questions.selection import (
    AT_MAINTENANCE,
    BEFORE_MAINTENANCE,
    Selection,
    Since,
    select,
)
from servicedesk.reports.questions.traits import TRAITS, Key
from units.models import FailureMode, Kind
from units.names import plain_name

RECURRENCE, SURVIVAL = "recurrence", "survival"
"""Names of the curves over age in URLs and on the command line."""

DAYS = {"from": "first day", "until": "last day", "as_of": "day on which the records are read"}


class QuestionError(ValueError):
    """Invalid value of the parameter ``name``."""

    def __init__(self, name: str, sentence: str) -> None:
        super().__init__(sentence)
        self.name = name


def read_selection(question: Mapping[str, Sequence[str]], *, today: date) -> Selection:
    """Parse a selection from texts by parameter name; empty texts are ignored.

    A failure mode without any part selects parts of the mode's kind.

    Raises
    ------
    QuestionError
        With a sentence that says what is wrong and what there is instead.
    """
    nonblank = {name: [text for text in texts if text.strip()] for name, texts in question.items()}
    days = {name: _day(name, nonblank[name][-1]) for name in DAYS if nonblank.get(name)}
    traits: dict[str, tuple[Key | None, ...]] = {}
    for name, trait in TRAITS.items():
        try:
            traits[name] = tuple(dict.fromkeys(trait.read(text) for text in nonblank.get(name, ())))
        except ValueError as error:
            raise QuestionError(name, f"{error}{_instead(name)}") from error
    mode = None
    if nonblank.get("mode"):
        mode = _mode(nonblank["mode"][-1], part=traits.get("part", ()))
        if not traits.get("part") and not traits.get("component") and mode.kind != Kind.UNIT:
            traits["part"] = (mode.kind,)
    try:
        return Selection(
            as_of=days.get("as_of", today),
            dated="as_of" in days,
            from_on=days.get("from"),
            until_on=days.get("until"),
            mode=mode.pk if mode else None,
            traits=select(traits),
            age=_age(nonblank["age"][-1]) if nonblank.get("age") else None,
            since=_since(nonblank["since"][-1]) if nonblank.get("since") else None,
        )
    except ValueError as error:
        raise QuestionError("from", str(error)) from error


def _age(text: str) -> int:
    from servicedesk.reports.rates.strata import AGES

    if text not in map(str, range(len(AGES))):
        known = ", ".join(f"{place} ({words})" for place, words in enumerate(AGES))
        raise QuestionError("age", f"“{text}” is no age of parts. There are {known}.")
    return int(text)


def _since(text: str) -> Since:
    from servicedesk.reports.maintenance.since_maintenance import BANDS

    work, _, band = text.partition(":")
    if text == AT_MAINTENANCE:
        return AT_MAINTENANCE, None
    bands = {BEFORE_MAINTENANCE: None, **{str(place): place for place in range(len(BANDS))}}
    if work not in WorkKind.values or band not in bands:
        raise QuestionError(
            "since",
            f"“{text}” is no time since maintenance: write a kind of work and a number, such as "
            "cleaned:0 for "
            f"{BANDS[0]} after cleaning.",
        )
    return work, bands[band]


def _day(name: str, text: str) -> date:
    day = read_day(text)
    if day is None:
        raise QuestionError(
            name, f"“{text}” is no {DAYS[name]}: write it as year, month and day, such as 2026-03-31."
        )
    return day


def _mode(text: str, *, part: Sequence[Key | None]) -> FailureMode:
    """Find a failure mode by its number, its code or its name."""
    modes = list(FailureMode.objects.order_by("pk"))
    matches = [mode for mode in modes if str(mode.pk) == text or plain_name(mode.code) == plain_name(text)]
    matches = matches or [mode for mode in modes if plain_name(mode.name) == plain_name(text)]
    fitting = [mode for mode in matches if not part or mode.kind in part or mode.kind == Kind.UNIT]
    if not matches:
        near = [mode.code for mode in modes if not part or mode.kind in part]
        raise QuestionError(
            "mode", f"“{text}” is no known failure mode. There are {', '.join(near) or 'none yet'}."
        )
    if not fitting:
        kinds = " or ".join(str(Kind(str(key)).label) for key in part if key)
        raise QuestionError(
            "mode",
            f"“{matches[0].name}” is a failure of the kind {matches[0].get_kind_display()}, not of {kinds}.",
        )
    if len(fitting) > 1:
        codes = " or ".join(mode.code for mode in fitting)
        raise QuestionError("mode", f"“{text}” could be {codes}; ask by code.")
    return fitting[0]


def _instead(name: str) -> str:
    """Sentence that lists the known groups of a trait, empty where there is no list."""
    listed = TRAITS[name].listed
    names = listed() if listed is not None else {}
    if not names:
        return ""
    shown = [str(key) if isinstance(key, str) else words for key, words in names.items()]
    return f" There are {', '.join(shown)}."
