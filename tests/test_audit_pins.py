"""The audit of pins: what it says of a known weakness, of a withdrawn pin, and where nobody answers."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest

from tests import audit_pins
from tests.audit_pins import Findings

NOBODY = "http://127.0.0.1:9"
"""Where nobody listens (the port of RFC 863's discard service)."""


@pytest.fixture
def pins(tmp_path: Path) -> Path:
    """A file with two pins."""
    file = tmp_path / "requirements.txt"
    file.write_text("probe-one==1.0\nprobe-two==2.0\n")
    return file


@pytest.fixture
def index(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """An index as PEP 503 and PEP 592 describe it, the first pin as it should be, the second withdrawn."""
    for name, version, mark in (("one", "1.0", ""), ("two", "2.0", ' data-yanked="it loses letters"')):
        folder = tmp_path / "simple" / f"probe-{name}"
        folder.mkdir(parents=True)
        wheel, dist_info = f"probe_{name}-{version}-py3-none-any.whl", f"probe_{name}-{version}.dist-info"
        with zipfile.ZipFile(folder / wheel, "w") as made:
            made.writestr(
                f"{dist_info}/METADATA", f"Metadata-Version: 2.1\nName: probe-{name}\nVersion: {version}\n"
            )
            made.writestr(
                f"{dist_info}/WHEEL", "Wheel-Version: 1.0\nRoot-Is-Purelib: true\nTag: py3-none-any\n"
            )
            made.writestr(f"{dist_info}/RECORD", "")
        (folder / "index.html").write_text(f'<!DOCTYPE html><a href="{wheel}"{mark}>{wheel}</a>')
    monkeypatch.setenv("PIP_CONFIG_FILE", "/dev/null")
    monkeypatch.setenv("PIP_FIND_LINKS", "")
    monkeypatch.setenv("PIP_INDEX_URL", (tmp_path / "simple").as_uri())
    return tmp_path / "simple"


@pytest.fixture
def nobody_answers(monkeypatch: pytest.MonkeyPatch) -> None:
    """A machine from which nothing can be reached."""
    for name in ("http_proxy", "https_proxy", "HTTP_PROXY", "HTTPS_PROXY"):
        monkeypatch.setenv(name, NOBODY)
    monkeypatch.setenv("PIP_CONFIG_FILE", "/dev/null")
    monkeypatch.setenv("PIP_FIND_LINKS", "")
    monkeypatch.setenv("PIP_RETRIES", "1")


def test_a_withdrawn_pin_is_found(pins: Path, index: Path) -> None:
    findings = audit_pins.ask_the_index(pins)
    assert findings == Findings(2, ["probe-two 2.0: withdrawn from the index"], [])
    assert findings.ends_with == audit_pins.WANTING


def test_a_pin_that_is_gone_is_found(pins: Path, index: Path) -> None:
    pins.write_text("probe-one==1.1\n")
    findings = audit_pins.ask_the_index(pins)
    assert findings.wanting == [
        "requirements.txt: ERROR: No matching distribution found for probe-one==1.1",
    ]


def test_pins_as_they_should_be_are_an_all_clear(pins: Path, index: Path) -> None:
    pins.write_text("probe-one==1.0\n")
    assert audit_pins.ask_the_index(pins) == Findings(1, [], [])


@pytest.mark.usefixtures("nobody_answers")
def test_where_nobody_answers_that_is_said_and_no_all_clear(
    pins: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert audit_pins.main((pins,)) == audit_pins.UNANSWERED
    said = capsys.readouterr().out
    assert said.count("0 pins judged, 0 found wanting") == 2
    assert said.count("NOT JUDGED") == 2
    assert "This is no all-clear" in said


def test_a_known_weakness_is_told_and_a_pin_that_was_skipped_is_not_clear() -> None:
    """The report has the shape pip-audit's README gives under "JSON"; name and number are made up."""
    weak = {"id": "PYSEC-0000-1", "fix_versions": ["1.1"], "aliases": [], "description": "It falls over."}
    findings = audit_pins.weaknesses(
        {
            "dependencies": [
                {"name": "probe-one", "version": "1.0", "vulns": [weak]},
                {"name": "probe-two", "version": "2.0", "vulns": []},
                {"name": "probe-three", "skip_reason": "not found"},
            ],
            "fixes": [],
        }
    )
    assert findings.judged == 2
    assert findings.wanting == ["probe-one 1.0: PYSEC-0000-1, mended in 1.1"]
    assert findings.unanswered == ["probe-three: not found"]
    assert findings.ends_with == audit_pins.WANTING
    assert Findings(judged=2, unanswered=["x"]).ends_with == audit_pins.UNANSWERED
    assert Findings(judged=0).ends_with == audit_pins.UNANSWERED
    assert Findings(judged=2).ends_with == 0
