"""The forms that pages show, read from their HTML as a browser reads them."""

from __future__ import annotations

from dataclasses import dataclass, field
from html.parser import HTMLParser
from urllib.parse import urljoin

USUAL = {"date": "2026-11-25", "datetime-local": "2026-11-25T10:00", "time": "10:00", "number": "1"}
"""What is typed into an empty field, by its type."""


@dataclass
class Form:
    """A form of a page: where it is sent, how, and by field what a browser would send, filled in."""

    address: str
    method: str
    fields: dict[str, list[str]] = field(default_factory=dict)
    files: list[str] = field(default_factory=list)

    def fill(self, name: str, value: str) -> None:
        """Keep a value where the field has none yet."""
        self.fields.setdefault(name, []) or self.fields[name].append(value)


class _Reader(HTMLParser):
    def __init__(self, address: str) -> None:
        super().__init__()
        self.address, self.forms = address, list[Form]()
        self.form: Form | None = None
        self.by_id: dict[str, Form] = {}
        self.select, self.options = "", list[tuple[str, bool]]()
        self.textarea, self.text = "", ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        given = {name: value or "" for name, value in attrs}
        if tag == "form":
            where = urljoin(self.address, given.get("action") or self.address)
            self.form = Form(where, given.get("method", "get").lower())
            self.forms.append(self.form)
            self.by_id[given.get("id", "")] = self.form
        form = self.by_id.get(given["form"]) if "form" in given else self.form
        name = given.get("name", "")
        if form is None or not name:
            return
        if tag == "select":
            self.select, self.options = name, []
        elif tag == "textarea":
            self.textarea, self.text = name, ""
        elif tag == "button" and given.get("value"):
            form.fill(name, given["value"])
        elif tag == "input":
            _input(form, name, given)
        if tag in {"select", "textarea"}:
            self.target = form

    def handle_startendtag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.handle_starttag(tag, attrs)

    def handle_data(self, data: str) -> None:
        if self.textarea:
            self.text += data

    def handle_endtag(self, tag: str) -> None:
        if tag == "form":
            self.form = None
        elif tag == "select" and self.select:
            self._choose()
        elif tag == "textarea" and self.textarea:
            self.target.fill(self.textarea, self.text.strip() or "words")
            self.textarea = ""

    def _choose(self) -> None:
        values = [value for value, _ in self.options]
        picked = [value for value, picked in self.options if picked and value]
        self.target.fill(self.select, next(iter(picked or filter(None, values)), ""))
        self.select = ""


class _OptionReader(_Reader):
    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        if tag == "option" and self.select:
            given = dict(attrs)
            self.options.append((given.get("value") or "", "selected" in given))
        else:
            super().handle_starttag(tag, attrs)


def _input(form: Form, name: str, given: dict[str, str]) -> None:
    kind = given.get("type", "text")
    if kind == "file":
        form.files.append(name)
    elif kind in {"checkbox", "radio"}:
        form.fill(name, given.get("value") or "on")
    else:
        form.fill(name, given.get("value") or USUAL.get(kind, "x1"))


def read_forms(page: str, address: str) -> list[Form]:
    """Read the forms of a page that came from an address."""
    reader = _OptionReader(address)
    reader.feed(page)
    return reader.forms
