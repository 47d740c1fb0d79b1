"""The documents: how long they are, that what they name exists, and that what exists is named.

The shell commands of the section "Deploy" are run in deploy/test_install.py; test_settings.py compares the
variables of the settings.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import pytest
from django.core.management import BaseCommand, get_commands, load_command_class
from django.urls import Resolver404, resolve

from servicedesk.imports.files.columns import HISTORY, PERIODS, UNITS, Columns

ROOT = Path(__file__).parents[1]
PAGES = sorted((ROOT / "docs").glob("*.md"))
DECISIONS = sorted((ROOT / "docs" / "decisions").iterdir())
DOCUMENTS = [*sorted(ROOT.glob("*.md")), *PAGES, *DECISIONS]
OURS = ("servicedesk", "units", "schedules")
MOST_LINES = 120
"""Lines of README.md and of DEVELOPERS.md."""

MOST_DECISION_LINES = 15
"""Lines of text of a decision, without its title and blank lines."""

WIDEST = 120
"""Characters of a line of prose; tables and sources are longer."""

BRITISH = re.compile(
    r"\b(?:aluminium|(?:dis)?colour\w*|grey\w*|ageing|neighbour\w*|favour\w*|behaviour\w*|(?:kilo)?metres?"
    r"|centre\w*|catalogue\w*|\w*(?:recogn|organ|real|minim|maxim|summar|anonym|emphas|apolog)is(?:e[sd]?|ing)"
    r"|cancell(?:ed|ing)|modell(?:ed|ing)|labell(?:ed|ing)|travell\w*|whilst|(?:after|to)wards|programmes?)\b",
    re.IGNORECASE,
)
DIALECT = re.compile(
    r"\b(?:letters?|whole once|bring(?:ing)? in files|foretold|reckon\w*|like with like|doors?|knocks?"
    r"|stickers?|the desk|worked out|item-years?)\b",
    re.IGNORECASE,
)
"""Words of former documents for what is now called messages, imports, predictions, labels and the office."""

each_document = pytest.mark.parametrize("document", DOCUMENTS, ids=lambda path: str(path.relative_to(ROOT)))


@cache
def text_of(document: Path) -> str:
    """Read a document."""
    return document.read_text()


def written(document: Path) -> str:
    """Give the prose of a document: no code, quotes, addresses, sources, or tables that benches write."""
    text = re.sub(r"<!-- written by .*?<!-- end of .*? -->", "", text_of(document), flags=re.DOTALL)
    text = re.sub(r"^```.*?^```$", "", text, flags=re.DOTALL | re.MULTILINE)
    text = text.replace("**", "")
    return re.sub(r"`[^`\n]*`|\*[^*\n]+\*|“[^”]*”|\]\([^)]*\)|^\d+\. .*$", "", text, flags=re.MULTILINE)


def headings(document: Path) -> set[str]:
    """List the anchors of a document, as code hosts make them of headings."""
    titles = re.findall(r"^#+ (.*)$", text_of(document), flags=re.MULTILINE)
    return {re.sub(r"[^\w\- ]", "", heading).strip().lower().replace(" ", "-") for heading in titles}


def links(document: Path) -> list[str]:
    """List what a document links to and shows."""
    return re.findall(r"\]\(([^)\s]+)\)", text_of(document))


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_the_first_documents_are_short(name: str) -> None:
    assert len(text_of(ROOT / name).splitlines()) <= MOST_LINES


def test_readme_has_three_pictures_two_commands_and_a_way_to_every_document() -> None:
    readme = text_of(ROOT / "README.md")
    assert len(re.findall(r"^!\[[^\]]{10,}\]\(", readme, flags=re.MULTILINE)) == 3
    (block,) = re.findall(r"^```sh\n(.*?)^```$", readme, flags=re.DOTALL | re.MULTILINE)
    assert [line.split()[:2] for line in block.splitlines()] == [["make", "demo"], ["make", "test"]]
    assert [f"### The {who}" in readme for who in ("technician", "scheduler", "owner")] == [True] * 3
    there = {str(path.relative_to(ROOT)) for path in [*DOCUMENTS, ROOT / "docs" / "decisions"]}
    wanted = there - {"README.md", *(str(path.relative_to(ROOT)) for path in DECISIONS)}
    assert wanted <= set(links(ROOT / "README.md"))


@each_document
def test_every_link_leads_somewhere(document: Path) -> None:
    for link in links(document):
        if link.startswith("https://"):
            continue
        path, _, anchor = link.partition("#")
        target = (document.parent / path).resolve() if path else document
        assert target.exists(), link
        assert target.is_relative_to(ROOT), link
        if anchor:
            assert anchor in headings(target), link


@each_document
def test_no_line_of_prose_is_wider_than_a_screen(document: Path) -> None:
    lines = written(document).splitlines()
    assert [line for line in lines if len(line) > WIDEST and not line.startswith("|")] == []


@each_document
def test_the_prose_is_plain_american_english(document: Path) -> None:
    prose = written(document)
    assert BRITISH.findall(prose) == []
    assert DIALECT.findall(prose) == []


def test_other_english_is_seen() -> None:
    assert len(BRITISH.findall("Grey colours were recognised and labelled towards the centre.")) == 6
    assert DIALECT.findall("The desk reckons with letters.") == ["The desk", "reckons", "letters"]


def test_decisions_are_numbered_without_a_gap() -> None:
    names = [path.name for path in DECISIONS]
    assert all(re.fullmatch(r"\d{4}(?:-[a-z]+)+\.md", name) for name in names), names
    assert [int(name[:4]) for name in names] == list(range(1, len(names) + 1))


@pytest.mark.parametrize("decision", DECISIONS, ids=lambda path: path.stem)
def test_a_decision_says_what_why_and_what_not_on_half_a_page(decision: Path) -> None:
    title, *lines = text_of(decision).splitlines()
    assert re.fullmatch(rf"# {decision.name[:4]}\. [A-Z“].*[^.]", title)
    parts = re.findall(r"^\*\*(\w+)\.\*\* \S", "\n".join(lines), flags=re.MULTILINE)
    assert parts == ["Decided", "Why", "Rejected"]
    assert len([line for line in lines if line.strip()]) <= MOST_DECISION_LINES


def our_commands() -> dict[str, BaseCommand]:
    """Find the management commands of this repository."""
    commands = get_commands().items()
    return {
        name: load_command_class(str(app), name) for name, app in commands if str(app).split(".")[0] in OURS
    }


def told_commands() -> Iterator[tuple[str, str]]:
    """Give each management command the documents speak of, with the rest of its line."""
    for document in [*DOCUMENTS]:
        yield from re.findall(r"manage\.py ([a-z_]+)([^`\n#]*)", text_of(document))


def test_every_management_command_is_told_and_every_told_one_exists() -> None:
    documented = {name for name, _ in told_commands()}
    assert documented <= set(get_commands())
    assert {*our_commands(), "migrate"} - documented == {"load_demo"}  # which `make demo` calls


def test_every_told_option_of_a_command_exists() -> None:
    ours, looked_at = our_commands(), 0
    for name, rest in told_commands():
        options = set(re.findall(r"(?<![\w-])--[a-z-]+", rest))
        if name in ours:
            known = ours[name].create_parser("manage.py", name)._option_string_actions
            assert options <= set(known), (name, options)
            looked_at += len(options)
    assert looked_at > 15


def test_the_options_of_the_import_are_all_told() -> None:
    parser = our_commands()["import_fleet"].create_parser("manage.py", "import_fleet")
    usual = BaseCommand().create_parser("manage.py", "import_fleet")._option_string_actions
    own = {name for name in parser._option_string_actions if name not in usual}
    rows = re.findall(r"^\| (`--.*?) \|", text_of(ROOT / "docs" / "import.md"), flags=re.MULTILINE)
    assert set(re.findall(r"--[a-z-]+", " ".join(rows))) == own


def test_every_told_target_of_make_exists() -> None:
    targets = set(re.findall(r"^([a-z-]+):", text_of(ROOT / "Makefile"), flags=re.MULTILINE))
    documented = {
        name for document in DOCUMENTS for name in re.findall(r"`make ([a-z-]+)", text_of(document))
    }
    assert documented <= targets
    assert {"demo", "test", "bench"} <= documented


@pytest.mark.parametrize("columns", [UNITS, HISTORY, PERIODS], ids=lambda columns: columns.file)
def test_the_columns_of_an_import_are_told(columns: Columns) -> None:
    section = (
        text_of(ROOT / "docs" / "import.md").partition(f"\n### {columns.file}\n")[2].partition("\n##")[0]
    )
    rows = re.findall(r"^\| (`.*?) \| (.*?) \|", section, flags=re.MULTILINE)
    documented = {name: needed for names, needed in rows for name in re.findall(r"`(\w+)`", names)}
    assert tuple(sorted(documented)) == tuple(sorted(columns.names))
    assert {name for name, needed in documented.items() if needed == "yes"} == columns.required


def test_the_addresses_of_the_figures_are_told() -> None:
    from servicedesk.reports.urls import urlpatterns

    documented = set(
        re.findall(r"^\| `(/figures/\w+/)` \|", text_of(ROOT / "docs" / "figures.md"), flags=re.MULTILINE)
    )
    pages = {f"/figures/{each.pattern}" for each in urlpatterns if re.fullmatch(r"\w+/", str(each.pattern))}
    # Every figure links to what is behind a number.
    assert documented == pages - {"/figures/findings/"}


def test_every_told_address_exists() -> None:
    documented = {name for page in PAGES for name in re.findall(r"`(/[a-z-]+(?:/[a-z-]+)*/)`", text_of(page))}
    assert {"/alive/", "/ready/"} <= documented
    for address in documented:
        try:
            resolve(address)
        except Resolver404:
            pytest.fail(f"{address} leads nowhere")


def test_every_told_file_exists() -> None:
    documented = {
        name
        for document in DOCUMENTS
        for name in re.findall(
            r"`((?:servicedesk|units|schedules|templates|tests|fixtures)/[\w./-]*)`", text_of(document)
        )
    }
    assert len(documented) > 20
    assert [name for name in sorted(documented) if not (ROOT / name).exists()] == []


@pytest.mark.parametrize("name", ["requirements.txt", "tests/requirements.txt"])
def test_every_library_asked_for_is_named(name: str) -> None:
    """What it brings along stands below the first blank line."""
    pinned = text_of(ROOT / name).split("\n\n")[0]
    libraries = re.findall(r"^([\w-]+)(?:\[\w+\])?==", pinned, flags=re.MULTILINE)
    section = text_of(ROOT / "DEVELOPERS.md").partition("\n## Dependencies\n")[2].lower().replace("_", "-")
    assert libraries
    assert [each for each in libraries if each.lower().replace("_", "-") not in section] == []


@pytest.mark.parametrize("bench", ["bench_claims.py", "bench_known_truth.py"])
def test_a_bench_finds_the_place_of_its_table(bench: str) -> None:
    """Both split the page at their marks and put a table between."""
    source = text_of(ROOT / "tests" / "bench" / bench)
    ((begin, end),) = re.findall(r'^BEGIN, END = "(.*)", "(.*)"$', source, flags=re.MULTILINE)
    assert 'PAGE = Path(__file__).resolve().parents[2] / "docs" / "figures.md"' in source
    before, rest = text_of(ROOT / "docs" / "figures.md").split(begin)
    table, after = rest.split(end)
    assert begin not in before + after
    assert {line[0] for line in table.splitlines() if line} == {"|"}


def test_the_times_for_which_data_is_kept_are_those_of_the_settings() -> None:
    rows = re.findall(r"`(KEEP_\w+)`[^|]*\(default: (\w+)", text_of(ROOT / "docs" / "privacy.md"))
    documented = {name: 0 if days == "always" else int(days) for name, days in rows}
    code = text_of(ROOT / "servicedesk" / "settings.py")
    there = re.findall(r'env\.int\("(KEEP_\w+)", default=(\d+)\)', code)
    assert documented == {name: int(days) for name, days in there}
