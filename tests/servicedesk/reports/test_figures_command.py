"""`manage.py figures`: the same figures on the command line, as text, JSON and CSV."""

from __future__ import annotations

import csv
import io
import json
from collections import defaultdict
from typing import Any

import numpy as np
import pytest
from django.core.management import CommandError, call_command
from lifelines import KaplanMeierFitter
from scipy.stats import chi2

from tests.factories import ComponentTypeFactory, FailureModeFactory, SiteFactory
from tests.servicedesk.reports.small_fleets import Fleet
from units.models import InstalledPart

pytestmark = pytest.mark.django_db

AS_OF = ("--as-of", "2024-12-31")
DAYS = 1826  # from January 1, 2020 to December 31, 2024
YEAR = 365.25
ROW = ["component", "events", "items", "sites", "item_years", "rate", "low", "high"]
MORE = ["wide_low", "wide_high"]
OTHERS = ["piece_years", "pooled", "against_the_rest"]


def told(*arguments: str) -> str:
    """Run the command and give what it prints."""
    out = io.StringIO()
    call_command("figures", *arguments, stdout=out)
    return out.getvalue()


def document(*arguments: str) -> dict[str, Any]:
    """Run the command for JSON."""
    data = json.loads(told(*arguments, *AS_OF, "--json"))
    assert isinstance(data, dict)
    return data


@pytest.fixture
def fleet() -> Fleet:
    """Twelve bare tracks at six sites, of which seven failed once or more; one liner; and what counts not."""
    fleet = Fleet()
    sites = [SiteFactory() for _ in range(6)]
    parts = [fleet.watched_part(site=sites[number % 6]) for number in range(12)]
    for number, on in enumerate([100, 250, 400, 400, 700, 900, 1500]):
        fleet.find(parts[number], on)
    fleet.find(parts[0], 800, mode=fleet.waves)
    fleet.find(parts[0], 1200)
    fleet.find(parts[1], 260, repeat=True)
    fleet.find(parts[2], 900, is_failure=False)
    fleet.watched_part(of=fleet.liner)
    return fleet


def test_rates_as_json_hold_what_was_counted_with_garwoods_limits(fleet: Fleet) -> None:
    data = document("rates", "--part", "track", "--by", "component")
    assert list(data)[-2:] == ["rows", "exclusions"]
    bare, liner = data["rows"]
    assert list(bare) == [*ROW, *MORE, *OTHERS]
    item_years = 12 * DAYS / YEAR
    assert {name: bare[name] for name in ROW} == {
        "component": "bare track",
        "events": 9,
        "items": 12,
        "sites": 6,
        "item_years": pytest.approx(item_years),
        "rate": pytest.approx(900 / item_years),
        # Garwood (1936): exact Poisson limits from quantiles of chi-squared, here as scipy has them.
        "low": pytest.approx(100 * chi2.ppf(0.025, 18) / 2 / item_years),
        "high": pytest.approx(100 * chi2.ppf(0.975, 20) / 2 / item_years),
    }
    # Of the last two years there is a failure at one of the seven sites only, which has two of the 13 units.
    noted = {"wear_only": 1, "repeats": 1, "silent_units": 11}
    assert {name: n for name, n in data["exclusions"].items() if n} == noted
    assert [*liner] == [*ROW, *MORE, "reason", *OTHERS]
    assert liner["component"] == "nylon liner"
    assert (liner["events"], liner["rate"], liner["low"], liner["high"]) == (0, None, None, None)
    assert liner["reason"] == "just under 5 part-years were watched; a rate takes 5 or more"


def test_only_one_mode_and_some_days_count_where_asked(fleet: Fleet) -> None:
    row = document("rates", "--part", "track", "--mode", "LIN-01")["rows"][0]
    assert row["events"] == 1
    row = document("rates", "--part", "track", "--from", "2021-01-01", "--until", "2021-12-31")["rows"][0]
    assert row["events"] == 3  # days 400, 400 and 700
    assert row["item_years"] == pytest.approx(12 * 365 / YEAR)


def test_a_grouping_gives_the_rows_their_first_key(fleet: Fleet) -> None:
    assert [row["part"] for row in document("rates", "--by", "part")["rows"]] == ["track or liner"]
    assert next(iter(document("rates", "--by", "shade")["rows"][0])) == "shade"


def test_survival_as_json_is_that_of_lifelines(fleet: Fleet) -> None:
    row = document("survival", "--part", "track", "--by", "component")["rows"][0]
    assert list(row["curve"]) == ["age_days", "at_risk", "events", "survival", "std_error", "low", "high"]
    parts = list(InstalledPart.objects.filter(component_type=fleet.track))
    first = {
        part.pk: part.findings.filter(is_failure=True, repeat=False).order_by("found_on") for part in parts
    }
    ages = [
        (failures[0].found_on - part.fitted_on).days if (failures := first[part.pk]) else DAYS
        for part in parts
    ]
    fitter = KaplanMeierFitter().fit(ages, [bool(first[part.pk]) for part in parts], entry=[0] * len(parts))
    assert row["events"] == 7
    expected = [float(fitter.predict(age)) for age in row["curve"]["age_days"]]
    assert row["curve"]["survival"] == pytest.approx(expected)
    assert row["curve"]["at_risk"] == [12, 11, 10, 8, 7, 6]
    assert row["curve"]["events"] == [1, 1, 2, 1, 1, 1]


def test_recurrence_as_json_is_that_of_a_naive_sum_with_errors_by_site(fleet: Fleet) -> None:
    row = document("recurrence", "--part", "track", "--by", "component")["rows"][0]
    curve = row["curve"]
    assert list(curve) == ["age_days", "at_risk", "events", "mean", "std_error", "low", "high"]
    events: dict[int, list[InstalledPart]] = defaultdict(list)
    for part in InstalledPart.objects.filter(component_type=fleet.track).select_related("unit"):
        for finding in part.findings.filter(is_failure=True, repeat=False):
            events[(finding.found_on - part.fitted_on).days].append(part)
    assert curve["age_days"] == sorted(events)
    mean, by_site = 0.0, defaultdict(float)
    for place, age in enumerate(sorted(events)):
        step = len(events[age]) / 12
        mean += step
        # Lawless and Nadeau (1995): each site's sum of (own failures - own share of the mean) / at risk.
        for site in {part.unit.site_id for parts in events.values() for part in parts} | _sites(fleet):
            own = sum(part.unit.site_id == site for part in events[age])
            by_site[site] += (own - 2 * step) / 12
        assert curve["mean"][place] == pytest.approx(mean)
        assert curve["std_error"][place] == pytest.approx(float(np.sqrt(sum(e**2 for e in by_site.values()))))


def _sites(fleet: Fleet) -> set[int]:
    return set(InstalledPart.objects.filter(component_type=fleet.track).values_list("unit__site", flat=True))


@pytest.mark.parametrize("name", ["survival", "recurrence"])
def test_a_curve_that_is_refused_is_null_with_its_reason(fleet: Fleet, name: str) -> None:
    liner = document(name, "--part", "track")["rows"][1]
    assert liner["curve"] is None
    assert "5 or more parts at 3 or more sites" in liner["reason"]


@pytest.mark.parametrize("name", ["rates", "survival", "recurrence"])
def test_csv_has_a_header_and_the_numbers_of_the_json(fleet: Fleet, name: str) -> None:
    rows = list(csv.reader(io.StringIO(told(name, "--part", "track", *AS_OF, "--csv"))))
    assert rows[0][:2] == ["kind of part", "type of part"]
    assert {len(row) for row in rows} == {len(rows[0])}
    first = document(name, "--part", "track")["rows"][0]
    if name == "rates":
        assert [float(cell) for cell in rows[1][2:9]] == [first[key] for key in ROW[1:]]
    else:
        value = "survival" if name == "survival" else "mean"
        mine = [row for row in rows[1:] if row[1] == "bare track"]
        assert [float(row[2]) for row in mine] == first["curve"]["age_days"]
        assert [float(row[5]) for row in mine] == first["curve"][value]
        assert "5 or more parts" in rows[-1][9]
        assert rows[0][9] == "why no curve"


def test_text_lines_up_and_says_what_was_left_out(fleet: Fleet) -> None:
    lines = told("rates", "--part", "track", *AS_OF).splitlines()
    assert lines[0].split("  ")[0] == "kind of part"
    assert set(lines[1]) == {"-", " "}
    assert "bare track" in lines[2]
    assert "Left out or noted: 1 finding is wear only, not a failure yet." in lines
    assert "Left out or noted: 1 finding is the same fault as one before, so it is no new failure." in lines


def test_nothing_watched_is_said() -> None:
    assert told("rates") == "Nothing was watched of what you ask for, so there is no figure.\n"
    assert json.loads(told("survival", "--json"))["rows"] == []


@pytest.mark.parametrize(
    ("arguments", "sentence"),
    [
        (["rats"], "“rats” is no figure. There are rates, compare, survival, recurrence"),
        (["rates", "--by", "taste"], "--by: figures can't be grouped by “taste”. There are component, part"),
        (["rates", "--part", "wheel"], "--part: “wheel” is no known kind of part. There are frame, "),
        (["rates", "--mode", "XX-9"], "--mode: “XX-9” is no known failure mode. There are TRK-01, LIN-01."),
        (["rates", "--part", "corner", "--mode", "TRK-01"], "--mode: “binds” is a failure of the kind track"),
        (["rates", "--from", "soon"], "--from: “soon” is no first day: write it as year, month and day"),
        (["rates", "--as-of", "2026-02-30"], "--as-of: “2026-02-30” is no day on which the records are read"),
        (
            ["rates", "--from", "2024-02-01", "--until", "2024-01-01"],
            "--from: The first day, February 1, 2024,",
        ),
        (["rates", "--year", "old"], "--year: “old” is no year fitted; write it as a number."),
        (["rates", "--component", "glass"], "--component: “glass” is no known type of part. There are "),
    ],
)
def test_what_can_not_be_asked_is_refused_with_what_there_is_instead(
    arguments: list[str], sentence: str
) -> None:
    Fleet()
    with pytest.raises(CommandError) as refused:
        told(*arguments)
    assert str(refused.value).startswith(sentence)
    assert refused.value.returncode == 2


def test_a_mode_that_two_kinds_share_by_name_is_asked_for_by_code() -> None:
    for kind in ("corner", "film"):
        FailureModeFactory(code=f"{kind[:3]}-1".upper(), name="cracked", kind=kind)
        ComponentTypeFactory(name=kind, kind=kind)
    with pytest.raises(CommandError, match="could be COR-1 or FIL-1; ask by code"):
        told("rates", "--mode", "cracked")
    assert told("rates", "--mode", "cracked", "--part", "corner").startswith("Nothing was watched")
