"""Sentences on the records that a figure excludes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Final

from servicedesk.core.values.words import counted
from servicedesk.reports.queries.exclusion_reasons import ExclusionReason

# By exclusion: the noun that is counted, and the predicate for one and for several.
_TOLD: Final = {
    ExclusionReason.WEAR_ONLY: (
        "finding",
        "is wear only, not a failure yet",
        "are wear only, not failures yet",
    ),
    ExclusionReason.REPEAT: (
        "finding",
        "is the same fault as one before, so it is no new failure",
        "are the same faults as before, so they are no new failures",
    ),
    ExclusionReason.SAME_EVENT: (
        "finding",
        "reports a failure a second time (same unit, failure, place and day)",
        "report failures a second time (same unit, failure, place and day)",
    ),
    ExclusionReason.PART_UNKNOWN: (
        "failure",
        "is assigned to no part, so it belongs to none of these",
        "are assigned to no part, so they belong to none of these",
    ),
    ExclusionReason.AT_TAKE_OVER: (
        "failure",
        "was there when we took the unit over: usually the reason we were called",
        "were there when we took the unit over: usually the reason we were called",
    ),
    ExclusionReason.LAST_WORD: (
        "failure",
        (
            "is the last contact with a site, or the last inspection of a unit: it only says until when "
            "time counts"
        ),
        (
            "are the last contact with a site, or the last inspection of a unit: they only say until when "
            "time counts"
        ),
    ),
    ExclusionReason.NO_TIME: (
        "failure",
        "is of a part that was watched for less than a day",
        "are of parts that were watched for less than a day",
    ),
    ExclusionReason.NOT_AT_RISK: (
        "failure",
        "was found while nobody watched the unit, or while the part was not in place",
        "were found while nobody watched the unit, or while the part was not in place",
    ),
    "zero_length_items": (
        "part",
        "was watched for less than a day and counts nowhere",
        "were watched for less than a day and count nowhere",
    ),
    "age_unknown_items": (
        "part",
        "is of unknown age: in the rates, but not in curves over age",
        "are of unknown age: in the rates, but not in curves over age",
    ),
    "lost_units": (
        "unit",
        (
            "stands where you do the maintenance, or did once, but nothing was heard for two years: time "
            "ended then"
        ),
        (
            "stand where you do the maintenance, or did once, but nothing was heard for two years: time "
            "ended then"
        ),
    ),
    "silent_units": (
        "unit",
        "was silent for two years, and no maintenance there tells whether its owner would still call",
        "were silent for two years, and no maintenance there tells whether their owners would still call",
    ),
    "start_not_said": (
        "unit",
        "came in from a file that does not say since when you heard of its failures",
        "came in from a file that does not say since when you heard of their failures",
    ),
    "look_events": (
        "failure",
        "is of a kind that only an inspection shows: time counts up to the last inspection of the unit",
        "are of a kind that only an inspection shows: time counts up to the last inspection of the unit",
    ),
    "newest_events": (
        "failure",
        "is from the last 60 days, of which not all may be recorded yet",
        "are from the last 60 days, of which not all may be recorded yet",
    ),
    "age_unknown_events": (
        "failure",
        "of a part of unknown age is not in the curve",
        "of parts of unknown age are not in the curves",
    ),
}


def exclusion_sentences(exclusions: Mapping[str, int]) -> Iterator[tuple[str, str]]:
    """Iterate over the exclusions that occur: name in URLs and sentence."""
    for name, number in exclusions.items():
        if number:
            noun, one, several = _TOLD[name]
            yield name, f"{counted(number, noun)} {one if number == 1 else several}."


def exclusion_lines(exclusions: Mapping[str, int]) -> Iterator[str]:
    """Iterate over the exclusions as lines of text."""
    for _, sentence in exclusion_sentences(exclusions):
        yield f"Left out or noted: {sentence}"
