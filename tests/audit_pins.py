"""Asks whether a pinned library has a known weakness, and whether the index still has and stands by each pin.

`make audit` runs it. It ends with 0 only where every pin was judged and none found wanting, with 1 where
one was, and with 2 where somebody who had to be asked did not answer: that is no all-clear.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[1]
FILES = (ROOT / "requirements.txt", ROOT / "tests" / "requirements.txt")
WANTING, UNANSWERED = 1, 2
YANKED = re.compile(r"yanked version: '([^']+)' candidate \(version (\S+)")  # as pip warns


@dataclass
class Findings:
    """What was found out about pins."""

    judged: int = 0
    wanting: list[str] = field(default_factory=list)
    unanswered: list[str] = field(default_factory=list)

    def __add__(self, other: Findings) -> Findings:
        return Findings(
            self.judged + other.judged,
            self.wanting + other.wanting,
            self.unanswered + other.unanswered,
        )

    @property
    def ends_with(self) -> int:
        """The exit status."""
        return WANTING if self.wanting else UNANSWERED if self.unanswered or not self.judged else 0


def run(*arguments: str) -> subprocess.CompletedProcess[str]:
    """Run a module of this Python."""
    return subprocess.run([sys.executable, "-m", *arguments], capture_output=True, text=True, check=False)


def last_line(text: str) -> str:
    """Give the last words of a program that failed."""
    return next((line for line in reversed(text.splitlines()) if line.strip()), "it said nothing")


def weaknesses(report: dict[str, Any]) -> Findings:
    """Read pip-audit's report: a pin it skipped was not judged, though it ends with 0."""
    findings = Findings()
    for each in report["dependencies"]:
        name = f"{each['name']} {each.get('version', '')}".strip()
        if "skip_reason" in each:
            findings.unanswered.append(f"{name}: {each['skip_reason']}")
            continue
        findings.judged += 1
        findings.wanting += [
            f"{name}: {known['id']}, mended in {', '.join(known['fix_versions']) or 'no version yet'}"
            for known in each["vulns"]
        ]
    return findings


def ask_for_weaknesses(file: Path) -> Findings:
    """Ask the vulnerability service about the pins of a file."""
    done = run("pip_audit", "--requirement", str(file), "--no-deps", "--disable-pip", "--format", "json")
    try:
        return weaknesses(json.loads(done.stdout))
    except json.JSONDecodeError:
        return Findings(unanswered=[f"{file.name}: {last_line(done.stderr)}"])


def ask_the_index(file: Path) -> Findings:
    """Ask the index that pip is set up with whether it has each pin, and whether one was withdrawn."""
    options = ("--dry-run", "--ignore-installed", "--no-deps", "--quiet", "--report", "-")
    done = run("pip", "--disable-pip-version-check", "install", *options, "--requirement", str(file))
    if done.returncode:
        problems = [f"{file.name}: {last_line(done.stderr)}"]
        # Of an index that can't be reached pip says the same as of a missing pin, after trying again.
        missing = "No matching distribution" in done.stderr and "Retrying" not in done.stderr
        return Findings(wanting=problems) if missing else Findings(unanswered=problems)
    return Findings(
        judged=len(json.loads(done.stdout)["install"]),
        wanting=[
            f"{name} {version}: withdrawn from the index" for name, version in YANKED.findall(done.stderr)
        ],
    )


def tell(question: str, findings: Findings) -> None:
    """Print what was found out."""
    print(f"{question}: {findings.judged} pins judged, {len(findings.wanting)} found wanting")
    for line in findings.wanting:
        print(f"  {line}")
    if findings.unanswered:
        count, first = len(findings.unanswered), findings.unanswered[0]
        print(f"  NOT JUDGED, because nobody answered: {count}, such as {first}")


def main(files: tuple[Path, ...] = FILES) -> int:
    """Audit the pins with both services, and return the exit status."""
    ends = set()
    for question, ask in (("Known weaknesses", ask_for_weaknesses), ("There, not withdrawn", ask_the_index)):
        findings = Findings()
        for file in files:
            findings += ask(file)
        tell(question, findings)
        ends.add(findings.ends_with)
    if UNANSWERED in ends:
        print("This is no all-clear: ask again where the services can be reached.")
    return min(ends - {0}, default=0)


if __name__ == "__main__":
    sys.exit(main(tuple(Path(name) for name in sys.argv[1:]) or FILES))
