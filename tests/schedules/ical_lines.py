"""Lines and components of an iCalendar body, read straight from the bytes by RFC 5545 section 3.1."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import datetime

PARAMETER_VALUE = r"(?:\"[^\"]*\"|[^\";:,]*)"
PARAMETER = re.compile(rf";([A-Za-z0-9-]+)=({PARAMETER_VALUE}(?:,{PARAMETER_VALUE})*)")
CONTENT_LINE = re.compile(rf"([A-Za-z0-9-]+)((?:{PARAMETER.pattern})*):(?P<value>.*)", re.DOTALL)


@dataclass(frozen=True, kw_only=True)
class Line:
    """A content line after unfolding: a name, its parameters and the value as it stands."""

    number: int
    name: str
    params: dict[str, str]
    value: str

    def __str__(self) -> str:
        return f"Line {self.number} ({self.name})"

    def read_when(self, value: str, *, typed: bool = True) -> tuple[str, datetime | None]:
        """Read a day or moment as DATE, UTC, ZONED or FLOATING; no moment when it is not one.

        Values inside a rule carry no type of their own: with `typed` off the form decides.
        """
        kind = self.params.get("VALUE", "DATE-TIME")
        if not typed:
            kind = "DATE" if "T" not in value else "DATE-TIME"
        if kind == "DATE":
            return kind, _read(value, r"\d{8}", "%Y%m%d")
        moment = _read(value.removesuffix("Z"), r"\d{8}T\d{6}", "%Y%m%dT%H%M%S")
        if value.endswith("Z"):
            return "UTC", moment
        return ("ZONED" if typed and "TZID" in self.params else "FLOATING"), moment


@dataclass(kw_only=True)
class Component:
    """A component: its lines and the components inside it."""

    name: str
    number: int
    parent_name: str = ""
    lines: list[Line] = field(default_factory=list)
    children: list[Component] = field(default_factory=list)

    def all(self, name: str) -> list[Line]:
        """Give the component's own lines of a name."""
        return [line for line in self.lines if line.name == name]

    def walk(self) -> Iterator[Component]:
        """Give the component and all inside it."""
        yield self
        for child in self.children:
            yield from child.walk()


def read_lines(body: bytes, problems: list[str]) -> list[Line]:
    """Unfold a body and take its lines apart; what is no content line goes to the problems."""
    text = body.decode("utf-8", errors="replace").removeprefix("\ufeff")
    lines: list[Line] = []
    unfolded: list[tuple[int, str]] = []
    for number, physical in enumerate(re.split(r"\r\n|\n|\r", text), 1):
        if physical[:1] in {" ", "\t"} and unfolded:
            start, so_far = unfolded[-1]
            unfolded[-1] = start, so_far + physical[1:]
        else:
            unfolded.append((number, physical))
    if unfolded[-1][1] == "":
        unfolded.pop()
    for number, line in unfolded:
        parts = CONTENT_LINE.fullmatch(line)
        if parts is None:
            problems.append(f"Line {number} is no content line: {line[:40]!r} (3.1).")
            continue
        params = {key.upper(): value.strip('"') for key, value in re.findall(PARAMETER, parts[2])}
        lines.append(Line(number=number, name=parts[1].upper(), params=params, value=parts["value"]))
    return lines


def read_components(lines: list[Line], problems: list[str]) -> list[Component]:
    """Nest lines by their BEGIN and END; what does not balance goes to the problems."""
    roots: list[Component] = []
    opened: list[Component] = []
    for line in lines:
        if line.name == "BEGIN":
            parent = opened[-1] if opened else None
            component = Component(
                name=line.value.upper(), number=line.number, parent_name=parent.name if parent else ""
            )
            (parent.children if parent else roots).append(component)
            opened.append(component)
        elif line.name == "END":
            if not opened or opened[-1].name != line.value.upper():
                expected = opened[-1].name if opened else "nothing"
                problems.append(f"{line} closes {line.value}, but {expected} is open (3.6).")
            else:
                opened.pop()
        elif opened:
            opened[-1].lines.append(line)
        else:
            problems.append(f"{line} stands outside of every component (3.4).")
    problems.extend(
        f"{component.name} from line {component.number} is never closed (3.6)." for component in opened
    )
    return roots


def _read(value: str, form: str, pattern: str) -> datetime | None:
    """Read a value that has the form and names a day or moment that exists."""
    if not re.fullmatch(form, value):
        return None
    try:
        return datetime.strptime(value, pattern)  # noqa: DTZ007 - the zone, if any, stands beside the value
    except ValueError:
        return None
