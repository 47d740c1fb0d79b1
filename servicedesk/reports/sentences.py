"""Sentences with the results of figures, and words for their selection."""

from __future__ import annotations

from collections.abc import Iterator

from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count, counted
from servicedesk.reports.comparison.verdicts import Word
from servicedesk.reports.curves.figure import CurvesFigure
from servicedesk.reports.forecast.figure import ForecastFigure
from servicedesk.reports.maintenance.since_maintenance import BANDS
from servicedesk.reports.questions.asking import RECURRENCE
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR, PER
from servicedesk.reports.questions.selection import AT_MAINTENANCE, Selection
from servicedesk.reports.questions.traits import GROUPINGS, TRAITS
from servicedesk.reports.rates.figure import UNCOMPARED, RateRow, RatesFigure
from servicedesk.reports.rates.strata import AGES
from servicedesk.reports.rates.trends import Direction
from servicedesk.reports.words import amount, percent
from units.models import FailureMode

MOST_NAMED = 4


def rates_sentence(figure: RatesFigure) -> str:
    """Sentence with the result of a figure of rates."""
    if not figure.years:
        return "Nothing was watched of what you ask for, so there is no rate."
    counts = (
        f"{counted(figure.events, 'failure')} in {amount(figure.years)} part-years at "
        f"{counted(figure.sites, 'site')}"
    )
    counts = counts[:1].upper() + counts[1:]
    if figure.by in UNCOMPARED:
        return f"{counts}."
    for word, called in ((Word.HIGHER, "worse"), (Word.LOWER, "better")):
        rows = [row for row in figure.rows if row.verdict.word == word]
        if rows:
            than = "others of their kind" if rows[0].family else "the rest"
            return f"Clearly {called} than {than}: {_named(rows)}."
    words = {row.verdict.word for row in figure.rows}
    if Word.ALIKE in words and Word.UNKNOWN not in words:
        return (
            f"{counts}. None stands out: one that failed twice as often as the others would most likely show."
        )
    if Word.UNKNOWN in words:
        return f"{counts}. None stands out clearly; for some the records cannot tell yet."
    return f"{counts}. There is nothing to compare."


def rates_example(figure: RatesFigure) -> str:
    """Sentence that explains an interval, by the row with the widest one."""
    known = [row for row in figure.rows if row.judged.rate]
    if not known:
        return ""
    return max(known, key=lambda row: (row.judged.wide_high or 0) / (row.judged.rate or 1)).caveat


def _named(rows: list[RateRow]) -> str:
    """Names of the first rows with their rates."""
    named = [f"{row.name} ({amount(row.judged.rate or 0)})" for row in rows[:MOST_NAMED]]
    named[0] = named[0].replace(")", f" a year per {PER})")
    more = len(rows) - MOST_NAMED
    return ", ".join(named) + (f", and {more} more" if more > 0 else "")


def curves_sentence(figure: CurvesFigure) -> str:
    """Sentence with the values of curves at the greatest whole age that all of them reach."""
    shown = [(row, row.curve) for row in figure.rows if row.curve is not None]
    if not figure.rows:
        return "Nothing was watched of what you ask for, so there is no curve."
    if not shown:
        return "The records cannot tell yet: too little was watched for a curve."
    age = int(min(curve.stop for _, curve in shown) // DAYS_PER_YEAR)
    mean, parts = figure.name == RECURRENCE, []
    for row, curve in shown:
        estimate = curve.at(age * DAYS_PER_YEAR)
        if estimate is not None:
            value = counted(round(100 * estimate[0]), "failure") if mean else percent(estimate[0])
            parts.append(f"{row.name} {value}")
    if not parts or not age:
        return "The curves below are short: most parts were watched for less than a year."
    at = count(age, "year")
    if mean:
        return f"By {at} of age, 100 parts have had: {', '.join(parts)}.{_trends(figure)}"
    return f"After {at}, still without a failure: {', '.join(parts)}."


def _trends(figure: CurvesFigure) -> str:
    """Sentence that names the types whose failures come faster with age, else empty."""
    faster = [row.name for row in figure.rows if row.trend and row.trend.direction == Direction.FASTER]
    return f" With age they come faster with {', '.join(faster)}." if faster else ""


def forecast_sentence(figure: ForecastFigure) -> str:
    """Sentence with the result of the forecast."""
    if not figure.rows:
        return "Nothing of what you ask for is in place and watched, so there is nothing to expect."
    whole = figure.whole
    if whole is None or whole.mean is None or whole.low is None:
        return "The records cannot tell yet: too few of these parts have failed to say how many will."
    return (
        f"Of the {counted(figure.items, 'part')} in place, expect about {whole.mean:,.0f} failures in "
        f"the next twelve months; 95 times in a hundred it will be {whole.low:,} to "
        f"{whole.high:,}."
    )


def selection_words(selection: Selection) -> Iterator[tuple[str, str]]:
    """Iterate over the filters of a selection as pairs of label and value."""
    if selection.from_on:
        yield "from", long_date(selection.from_on)
    if selection.until_on:
        yield "until", long_date(selection.until_on)
    if selection.dated:
        yield "records as of", long_date(selection.as_of)
    for name, keys in selection.traits:
        names = TRAITS[name].names(keys)
        yield GROUPINGS[name], " or ".join(names[key] for key in keys)
    if selection.age is not None:
        yield "parts", AGES[selection.age]
    if selection.since is not None:
        work, band = selection.since
        if work == AT_MAINTENANCE:
            yield "first seen", "on a maintenance visit"
        elif band is None:
            yield "before they were first", work
        else:
            yield f"time since {work}", BANDS[band]
    if selection.mode is not None:
        yield "failure", FailureMode.objects.get(pk=selection.mode).name
