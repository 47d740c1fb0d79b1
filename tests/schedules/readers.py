"""Programs that read calendars, as peers for our feeds: two Python libraries, a C one, a JavaScript one, and
a real subscriber that fetches a feed over HTTP and lists it.

Each reader gives what it saw in one shape, so that a test can hold all of them against the same visits, and
raises ReaderError when it reports an error. A reader that is not installed skips the test with a line that
says how to install it.
"""

from __future__ import annotations

import ctypes
import ctypes.util
import json
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cache
from pathlib import Path
from typing import Any

import pytest
import vobject
from icalendar import Calendar

ROOT = Path(__file__).parents[2]


class ReaderError(AssertionError):
    """A reader refused the calendar or reported an error in it."""


@dataclass(frozen=True, kw_only=True)
class SeenEvent:
    """An event as a reader understood it; None where the reader does not tell."""

    uid: str | None
    summary: str
    description: str = ""
    location: str = ""
    starts: datetime | date
    ends: datetime | date
    status: str | None = None
    sequence: int | None = None


def read_with_icalendar(body: bytes) -> list[SeenEvent]:
    """Read a feed with icalendar, which notes bad values instead of refusing them."""
    calendar = Calendar.from_ical(body)
    errors = [error for component in calendar.walk() for error in component.errors]
    if errors:
        raise ReaderError(f"icalendar: {errors}")
    return [
        SeenEvent(
            uid=str(event["UID"]),
            summary=str(event.get("SUMMARY", "")),
            description=str(event.get("DESCRIPTION", "")),
            location=str(event.get("LOCATION", "")),
            starts=event["DTSTART"].dt,
            ends=event["DTEND"].dt,
            status=str(event["STATUS"]) if "STATUS" in event else None,
            sequence=int(event["SEQUENCE"]),
        )
        for event in calendar.walk("VEVENT")
    ]


def read_with_vobject(body: bytes) -> list[SeenEvent]:
    """Read a feed with vobject and let it check what its own rules ask for."""
    try:
        (calendar,) = vobject.readComponents(body.decode("utf-8"))
        calendar.validate(raiseException=True)
    except (vobject.base.ParseError, vobject.base.ValidateError) as error:
        raise ReaderError(f"vobject: {error}") from error

    def text(event: Any, name: str) -> str:
        return str(event.getChildValue(name, ""))

    return [
        SeenEvent(
            uid=text(event, "uid"),
            summary=text(event, "summary"),
            description=text(event, "description"),
            location=text(event, "location"),
            starts=_in_utc(event.getChildValue("dtstart")),
            ends=_in_utc(event.getChildValue("dtend")),
            status=text(event, "status") or None,
            sequence=int(text(event, "sequence")),
        )
        for event in calendar.contents.get("vevent", [])
    ]


def read_with_icaljs(body: bytes) -> list[SeenEvent]:
    """Read a feed with ical.js, an independent reader in JavaScript."""
    node = shutil.which("node")
    if node is None:
        pytest.skip("node is not installed: apt-get install nodejs")
    packages = Path(os.environ.get("NODE_READERS", ROOT / ".ci" / "node_modules"))
    if not (packages / "ical.js").is_dir():
        pytest.skip(f"ical.js is not installed in {packages}: npm install --prefix .ci ical.js@2.2.1")
    script = Path(__file__).with_name("read_ical.mjs")
    answer = subprocess.run(
        [node, script, packages / "ical.js" / "dist" / "ical.js"], input=body, capture_output=True, timeout=60
    )
    if answer.returncode:
        raise ReaderError(f"ical.js: {answer.stderr.decode()}")
    return [
        SeenEvent(**{**event, "starts": _from_iso(event["starts"]), "ends": _from_iso(event["ends"])})
        for event in json.loads(answer.stdout)
    ]


def read_with_libical(body: bytes) -> list[SeenEvent]:
    """Read a feed with libical, an independent reader in C, once it has checked what RFC 5546 restricts."""
    library = _libical()
    calendar = library.icalparser_parse_string(body)
    if not calendar:
        raise ReaderError("libical: no calendar at all")
    try:
        valid = library.icalrestriction_check(calendar)
        errors = list(_libical_errors(calendar))
        if errors or not valid:
            raise ReaderError(f"libical: valid={valid}, {errors}")
        return [_libical_event(event) for event in _libical_children(calendar, b"VEVENT")]
    finally:
        library.icalcomponent_free(calendar)


def as_published(body: bytes) -> bytes:
    """Give a copy marked as a published calendar, for which libical checks far more than for a plain one."""
    with_method = body.replace(b"VERSION:2.0\r\n", b"VERSION:2.0\r\nMETHOD:PUBLISH\r\n", 1)
    organizer = b"BEGIN:VEVENT\r\nORGANIZER:mailto:desk@sashkeep.invalid\r\n"
    return with_method.replace(b"BEGIN:VEVENT\r\n", organizer)


def list_with_khal(url: str, folder: Path, *, first: date, until: date) -> list[SeenEvent]:
    """Subscribe to a feed as a person at a terminal would: fetch it with vdirsyncer, list it with khal.

    Called again with the same folder it fetches again and carries over what changed, as the next poll does.
    Only words and times are told: vdirsyncer puts a hash of the content in the place of every UID that comes
    over HTTP, and khal shows the status as a mark on the line.
    """
    files = folder / "files"
    files.mkdir(exist_ok=True)
    _write_subscription(url, folder)
    synchroniser = [_program("vdirsyncer"), "--config", str(folder / "vdirsyncer.conf")]
    _run([*synchroniser, "discover", "feed"], folder)
    _run([*synchroniser, "sync", "feed"], folder)
    fields = ["title", "description", "location", "all-day", "start-full", "end-full"]
    options = [argument for field in fields for argument in ("--json", field)]
    khal = [_program("khal"), "--config", str(folder / "khal.conf"), "list", "--once", *options]
    listed = _run([*khal, first.isoformat(), until.isoformat()], folder)
    rows = [row for line in listed.splitlines() if line.startswith("[") for row in json.loads(line)]
    return [_khal_event(row) for row in rows]


# --- libical ---------------------------------------------------------------------------------------


@cache
def _libical() -> ctypes.CDLL:
    """Load the C library and declare the few functions used here."""
    name = ctypes.util.find_library("ical")
    if name is None:
        pytest.skip("libical is not installed: apt-get install libical3")
    library = ctypes.CDLL(name)
    pointer, number, text = ctypes.c_void_p, ctypes.c_int, ctypes.c_char_p
    declarations: dict[str, tuple[Any, list[Any]]] = {
        "icalparser_parse_string": (pointer, [text]),
        "icalrestriction_check": (number, [pointer]),
        "icalcomponent_free": (None, [pointer]),
        "icalcomponent_string_to_kind": (number, [text]),
        "icalcomponent_get_first_component": (pointer, [pointer, number]),
        "icalcomponent_get_next_component": (pointer, [pointer, number]),
        "icalproperty_string_to_kind": (number, [text]),
        "icalcomponent_get_first_property": (pointer, [pointer, number]),
        "icalcomponent_get_next_property": (pointer, [pointer, number]),
        "icalproperty_get_value": (pointer, [pointer]),
        "icalvalue_get_text": (text, [pointer]),
        "icalproperty_get_value_as_string_r": (pointer, [pointer]),
        "icalmemory_free_buffer": (None, [pointer]),
    }
    for function, (result, arguments) in declarations.items():
        getattr(library, function).restype = result
        getattr(library, function).argtypes = arguments
    return library


def _libical_children(component: int, kind: bytes) -> Iterator[int]:
    """Give the components of a kind inside another; ANY gives all."""
    library = _libical()
    number = library.icalcomponent_string_to_kind(kind)
    child = library.icalcomponent_get_first_component(component, number)
    while child:
        yield child
        child = library.icalcomponent_get_next_component(component, number)


def _libical_errors(component: int) -> Iterator[str]:
    """Give what the parser and the checker wrote into the components as X-LIC-ERROR."""
    library = _libical()
    kind = library.icalproperty_string_to_kind(b"X-LIC-ERROR")
    error = library.icalcomponent_get_first_property(component, kind)
    while error:
        yield _libical_value(error)
        error = library.icalcomponent_get_next_property(component, kind)
    for child in _libical_children(component, b"ANY"):
        yield from _libical_errors(child)


def _libical_event(event: int) -> SeenEvent:
    """Read an event as libical holds it, texts unescaped by its own code."""
    library = _libical()

    def first(name: bytes) -> int | None:
        kind = library.icalproperty_string_to_kind(name)
        handle: int | None = library.icalcomponent_get_first_property(event, kind)
        return handle

    def text(name: bytes) -> str:
        handle = first(name)
        return library.icalvalue_get_text(library.icalproperty_get_value(handle)).decode() if handle else ""

    def value(name: bytes) -> str:
        handle = first(name)
        return _libical_value(handle) if handle else ""

    return SeenEvent(
        uid=text(b"UID"),
        summary=text(b"SUMMARY"),
        description=text(b"DESCRIPTION"),
        location=text(b"LOCATION"),
        starts=_from_basic(value(b"DTSTART")),
        ends=_from_basic(value(b"DTEND")),
        status=value(b"STATUS") or None,
        sequence=int(value(b"SEQUENCE")),
    )


def _libical_value(line: int) -> str:
    """Write the value of a property as libical would."""
    library = _libical()
    buffer = library.icalproperty_get_value_as_string_r(line)
    try:
        return ctypes.string_at(buffer).decode()
    finally:
        library.icalmemory_free_buffer(buffer)


# --- khal and vdirsyncer ---------------------------------------------------------------------------


def _write_subscription(url: str, folder: Path) -> None:
    """Write the configuration of both programs, everything inside the folder."""
    (folder / "vdirsyncer.conf").write_text(
        f"""
[general]
status_path = "{folder / "status"}"
[pair feed]
a = "web"
b = "files"
collections = null
[storage web]
type = "http"
url = "{url}"
[storage files]
type = "filesystem"
path = "{folder / "files"}"
fileext = ".ics"
"""
    )
    (folder / "khal.conf").write_text(
        f"""
[calendars]
[[feed]]
path = {folder / "files"}
[locale]
local_timezone = UTC
default_timezone = UTC
timeformat = %H:%M:%S
dateformat = %Y-%m-%d
longdateformat = %Y-%m-%d
datetimeformat = %Y-%m-%dT%H:%M:%S
longdatetimeformat = %Y-%m-%dT%H:%M:%S
[sqlite]
path = {folder / "khal.db"}
"""
    )


def _program(name: str) -> str:
    """Find a program beside the running Python or on the path."""
    path = shutil.which(name, path=f"{Path(sys.executable).parent}{os.pathsep}{os.environ['PATH']}")
    if path is None:
        pytest.skip(f"{name} is not installed: pip install {name}")
    return path


def _run(command: list[str], home: Path) -> str:
    """Run a program with the folder as its home and no proxy, and give what it prints."""
    inherited = {name: value for name, value in os.environ.items() if not name.lower().endswith("_proxy")}
    settings = {**inherited, "HOME": str(home), "XDG_CONFIG_HOME": str(home), "XDG_DATA_HOME": str(home)}
    settings |= {"XDG_CACHE_HOME": str(home), "PYTHONUTF8": "1", "TZ": "UTC"}
    answer = subprocess.run(command, env=settings, capture_output=True, text=True, timeout=120)
    if answer.returncode or "critical" in answer.stderr or "error" in answer.stderr.lower():
        raise ReaderError(f"{Path(command[0]).name}: {answer.stdout}{answer.stderr}")
    return answer.stdout


def _khal_event(row: dict[str, str]) -> SeenEvent:
    """Read a row of khal, which counts the last day of an all-day event in."""
    starts, ends = row["start-full"], row["end-full"]
    all_day = row["all-day"] == "True"
    return SeenEvent(
        uid=None,
        summary=row["title"],
        description=row["description"],
        location=row["location"],
        starts=date.fromisoformat(starts[:10]) if all_day else _in_utc(datetime.fromisoformat(starts)),
        ends=date.fromisoformat(ends[:10]) + timedelta(days=1)
        if all_day
        else _in_utc(datetime.fromisoformat(ends)),
    )


# --- days and moments ------------------------------------------------------------------------------


def _in_utc(when: datetime | date) -> datetime | date:
    """Bring a moment to UTC, taking one without a zone to be in UTC; a day stays a day."""
    if not isinstance(when, datetime):
        return when
    return when.replace(tzinfo=UTC) if when.tzinfo is None else when.astimezone(UTC)


def _from_iso(text: str) -> datetime | date:
    """Read 2026-05-04 as a day and 2026-05-04T13:00:00Z as a moment; a moment without Z is refused."""
    if "T" not in text:
        return date.fromisoformat(text)
    if not text.endswith("Z"):
        raise ReaderError(f"not in UTC: {text}")
    return datetime.fromisoformat(text)


def _from_basic(text: str) -> datetime | date:
    """Read 20260504 as a day and 20260504T130000Z as a moment."""
    day = f"{text[:4]}-{text[4:6]}-{text[6:8]}"
    return _from_iso(day if len(text) == 8 else f"{day}T{text[9:11]}:{text[11:13]}:{text[13:]}")
