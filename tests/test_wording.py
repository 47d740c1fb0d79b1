"""How pages count: one of a thing is told as one, and nothing ends in two full stops."""

from __future__ import annotations

import re
from collections.abc import Iterator
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest
from django.conf import settings
from django.test import Client

from servicedesk.accounts.models import Role, User
from servicedesk.core.values.words import count, counted, every, sentence
from tests.every_address import OPEN
from tests.factories import MaintenanceRuleFactory
from tests.more_rows import grow
from tests.test_query_growth import questions, shown_of

pytestmark = [pytest.mark.django_db, pytest.mark.sqlite]  # words come out the same on both databases

MANY = re.compile(r"(?<![\w.,:/×-])1 (?:more |other |open |first |proposed )?([a-z]+s)\b(?!\.[a-z])")
NO_PLURAL = {"is", "was", "has", "as", "this", "its", "needs", "comes", "waits", "glass", "less", "unless"}
WRONG = [
    re.compile(r"\.\.(?!\.)(?<!\.\.\.)"),
    re.compile(r"\bevery 1 "),
    re.compile(r",,|;\.|:\.(?!\S)|\(\)"),
]


class Words(HTMLParser):
    """Gathers what a page shows, a block of text to a line."""

    BLOCKS = frozenset(
        {"p", "li", "td", "th", "h1", "h2", "h3", "dd", "dt", "div", "tr", "option", "label", "summary"}
        | {"legend", "figcaption", "text", "title", "br", "button"}
    )

    def __init__(self) -> None:
        super().__init__()
        self.parts: list[str] = []
        self.hidden = 0

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.hidden += tag in {"script", "style", "pre", "textarea"}
        self.parts.append("\n" if tag in self.BLOCKS else "")

    def handle_endtag(self, tag: str) -> None:
        self.hidden -= tag in {"script", "style", "pre", "textarea"}
        self.parts.append("\n" if tag in self.BLOCKS else "")

    def handle_data(self, data: str) -> None:
        if not self.hidden:
            self.parts.append(" ".join(f".{data}.".split())[1:-1])

    @classmethod
    def of(cls, page: str) -> list[str]:
        """The lines of a page."""
        reader = cls()
        reader.feed(page)
        return [" ".join(line.split()) for line in "".join(reader.parts).split("\n") if line.strip()]


def miscounted(lines: list[str]) -> Iterator[str]:
    """Give the lines in which one of a thing is told as many, or a mark stands twice."""
    for line in lines:
        if any(word not in NO_PLURAL for word in MANY.findall(line)) or any(
            one.search(line) for one in WRONG
        ):
            yield line[:200]


def wording(client: Client, address: str) -> list[str]:
    """Open a page and give what reads wrong on it."""
    answer = client.get(address)
    if answer.streaming or not answer.get("Content-Type", "").startswith("text/html"):
        return []
    return sorted(set(miscounted(Words.of(answer.content.decode()))))


@pytest.fixture(scope="module")
def pages(demo: dict[str, User], doors: dict[str, str], django_db_blocker: Any) -> dict[str, list[str]]:
    """What reads wrong on every page of the demo company, with one of everything that is new to it."""
    with django_db_blocker.unblock():
        clients = {"": Client()}
        for role in Role:
            clients[role.value] = Client()
            clients[role.value].force_login(demo[role.value])
        opened = {name: ("" if name in OPEN else "owner", address) for name, address in doors.items()}
        shown = shown_of(demo)
        opened |= questions(shown)
        grow(shown, times=1)
        MaintenanceRuleFactory.create(interval_months=1)
        return {name: wording(clients[who], address) for name, (who, address) in opened.items()}


@pytest.mark.long
def test_every_page_counts_in_words_that_fit(pages: dict[str, list[str]]) -> None:
    assert {name: lines for name, lines in pages.items() if lines} == {}


COUNTED = re.compile(r"\}\} ([a-z]+s)\b|\}\} [a-z ]+\{\{ [^}]+\|pluralize \}\}")
VERBS = {"is", "as", "gets", "works", "ends", "times", "years", "faults", "months", "hours", "needs", "has"}


def test_no_template_counts_by_hand() -> None:
    """Where a number stands before what is counted, ``count`` says both."""
    wrong = []
    for path in sorted((Path(settings.BASE_DIR) / "templates").rglob("*.html")):
        for number, line in enumerate(path.read_text().splitlines(), 1):
            wrong += [
                f"{path.name}:{number}: {hit[0]}" for hit in COUNTED.finditer(line) if hit[1] not in VERBS
            ]
    assert wrong == []


def test_counts_in_words() -> None:
    assert [count(0, "task"), count(1, "task"), count(1_200, "entry", "entries")] == [
        "0 tasks",
        "1 task",
        "1,200 entries",
    ]
    assert [count(1.0, "year"), count(0.96, "year"), count(2.5, "year")] == ["1 year", "1 year", "2.5 years"]
    assert [counted(0, "failure"), counted(0, "entry", "entries")] == ["no failures", "no entries"]
    assert [sentence("Put it on the list."), sentence("Done"), sentence("Why?")] == [
        "Put it on the list.",
        "Done.",
        "Why?",
    ]
    assert [every(1, "month"), every(6, "month")] == ["every month", "every 6 months"]
