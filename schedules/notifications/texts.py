"""Usual texts of messages, with blanks (`string.Template`). An owner can change them.

Pure: no Django, no clock.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from string import Template

_BLANK = re.compile(r"\$(?:(?P<plain>[a-z_]+)|\{(?P<braced>[a-z_]+)\}|(?P<escaped>\$)|(?P<wrong>))")

VISIT_BLANKS = {
    "customer": "Jessamy Marchbrook",
    "company": "our company",
    "day": "Tuesday, May 5, 2026",
    "time": "9:00 AM",
    "until": "10:30 AM",
    "address": "12 Example Lane",
    "people": "Selj and Okto",
    "link": "https://desk.example/visit/…",
}
MAINTENANCE_BLANKS = {
    "customer": "Jessamy Marchbrook",
    "company": "our company",
    "address": "12 Example Lane",
    "care": "- Unit 12: wash the film with mild soap",
}
DAY_BLANKS = {
    "person": "Sol",
    "company": "our company",
    "day": "Tuesday, May 5, 2026",
    "list": "- …",
    "link": "…",
}

ALARM_BLANKS = {
    "person": "Sol",
    "company": "our company",
    "address": "12 Example Lane",
    "danger": "unit 12: release pin worn, panel may drop",
    "made_safe": "panel taken out, opening boarded",
    "link": "https://desk.example/units/12/",
}

JOIN_BLANKS = {
    "person": "Sol",
    "company": "our company",
    "username": "sol",
    "link": "https://desk.example/welcome/…",
}


@dataclass(frozen=True)
class Words:
    """Title and body of a kind of message, and the blanks they may have with an example of each."""

    title: str
    body: str
    blanks: Mapping[str, str]


USUAL: Mapping[str, Words] = {
    "asking": Words(
        "May we come on $day?",
        "Dear $customer,\n\nyour porch windows at $address are due. We would like to come on $day between "
        "$time and $until.\n\nPlease tell us whether that suits, or choose another time:\n$link\n\n"
        "Yours,\n$company",
        VISIT_BLANKS,
    ),
    "agreed": Words(
        "Our visit on $day",
        "Dear $customer,\n\nwe are coming to $address on $day at about $time; $people will be there. A "
        "calendar entry is attached.\n\nShould it not suit any more:\n$link\n\nYours,\n$company",
        VISIT_BLANKS,
    ),
    "called_off": Words(
        "Our visit on $day is called off",
        "Dear $customer,\n\nour visit to $address on $day at $time will not take place. We will be in touch "
        "about another day.\n\nYours,\n$company",
        VISIT_BLANKS,
    ),
    "ahead": Words(
        "We are coming on $day",
        "Dear $customer,\n\na reminder: we are coming to $address on $day at about $time. Please let us get "
        "at the porch, and tell us of dogs, gates and loose steps.\n\nShould it not suit any more:\n$link\n\n"
        "Yours,\n$company",
        VISIT_BLANKS,
    ),
    "own_maintenance": Words(
        "Your porch windows are due for care",
        "Dear $customer,\n\nthis is due at $address:\n\n$care\n\nUse mild soap and water on the film, never "
        "a scraper. Stay off ladders if you are alone; call us for anything high, broken or stuck.\n\n"
        "Yours,\n$company",
        MAINTENANCE_BLANKS,
    ),
    "desk_day": Words(
        "The office on $day", "Good morning $person,\n\n$list\n\n$link\n\n$company", DAY_BLANKS
    ),
    "alarm": Words(
        "Danger found at $address",
        "$person,\n\na danger to people was found at $address:\n\n$danger\n\nMade safe for now: $made_safe"
        "\n\n$link\n\n$company",
        ALARM_BLANKS,
    ),
    "join": Words(
        "Choose your password for $company",
        "$person,\n\nyou now have an account at $company. Choose your password here; the link works once, "
        "within three days:\n\n$link\n\nAfter that you sign in as $username.\n\n$company",
        JOIN_BLANKS,
    ),
    "round_day": Words(
        "Your schedule on $day", "Good morning $person,\n\n$list\n\n$link\n\n$company", DAY_BLANKS
    ),
}


def check_blanks(kind: str, text: str) -> None:
    """Refuse a text with an unknown blank.

    Raises
    ------
    ValueError
        When a blank is unknown; the sentence names it and those there are.
    """
    known = USUAL[kind].blanks
    for match in _BLANK.finditer(text):
        name = match["plain"] or match["braced"]
        if match["escaped"]:
            continue
        if name is None or name not in known:
            there = ", ".join(f"${each}" for each in known)
            raise ValueError(
                f"“${name or ''}” can’t be filled in. There are: {there}; a plain $ is written $$."
            )


def fill(text: str, values: Mapping[str, str]) -> str:
    """Substitute the blanks of a text."""
    return Template(text).substitute(values)


def one_line(text: str) -> str:
    """Join a title into one line: a line break in it would begin another header."""
    return " ".join(text.split())
