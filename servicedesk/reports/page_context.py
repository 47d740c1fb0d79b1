"""What the pages of the figures show beside the figures: ways down to the findings, and notes."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import date
from itertools import combinations
from typing import Any

from django.urls import reverse
from django.utils import timezone

from servicedesk.calls.models import Finding
from servicedesk.core.values.dates import long_date
from servicedesk.core.values.words import count, counted
from servicedesk.reports.chart_context import end_words
from servicedesk.reports.comparison.figure import CompareFigure
from servicedesk.reports.curves.figure import CurveRow, CurvesFigure
from servicedesk.reports.forecast.figure import ForecastFigure
from servicedesk.reports.maintenance.figure import MaintenanceFigure
from servicedesk.reports.models import FailureDay, LotFlag, RiskDay, ThinLot
from servicedesk.reports.plan_forms import rules_in_force
from servicedesk.reports.queries.exclusion_reasons import (
    EXCLUSION_REASON_WORDS,
    ExclusionReason,
    findings_address,
    findings_by_exclusion_reason,
)
from servicedesk.reports.queries.listing import exclusion_reasons_of, found_again_soon
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.exclusion_words import exclusion_sentences
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.questions.selection import AT_MAINTENANCE, Selection, Since
from servicedesk.reports.rates.figure import RatesFigure, narrowed
from servicedesk.reports.sentences import selection_words
from servicedesk.reports.surveillance.figure import (
    MOST_THIN,
    SurveillanceFigure,
    flag_ways,
    own_rate_words,
    thin_words,
)
from servicedesk.reports.words import amount, years
from units.models import ComponentType, Kind

FEW_ENOUGH = 20_000
"""With more failures than this, two in one month are no matter of single faults that came back."""


def rate_lines(figure: RatesFigure) -> list[dict[str, Any]]:
    """Rows of the table of rates, each with a link to its findings."""
    return [
        {
            "row": row,
            "new_family": number == 0 or figure.rows[number - 1].family != row.family,
            "findings": findings_address(narrowed(figure.selection, by=figure.by, key=row.key)),
        }
        for number, row in enumerate(figure.rows)
    ]


def excluded_links(selection: Selection, exclusions: Mapping[str, int]) -> list[dict[str, str]]:
    """Sentences on what was left out, each with a link to its findings where it is about findings."""
    exclusion_reasons = {str(exclusion_reason): exclusion_reason for exclusion_reason in ExclusionReason}
    return [
        {
            "sentence": sentence,
            "findings": findings_address(selection, exclusion_reasons[name])
            if name in exclusion_reasons
            else "",
        }
        for name, sentence in exclusion_sentences(exclusions)
    ]


def sensitivity(figure: RatesFigure) -> str:
    """Say how the count would fall if the same failure within a month always were the same fault."""
    if not 0 < figure.events <= FEW_ENOUGH:
        return ""
    again = found_again_soon(figure.selection)
    if not again:
        return ""
    return (
        f"{counted(again, 'failure')} came within 30 days of the same failure at the same unit, and nobody "
        f"wrote down that it was the same fault. Counted as one each time, there would be "
        f"{count(figure.events - again, 'failure')} instead of {figure.events:,}."
    )


def curve_lines(figure: CurvesFigure) -> list[dict[str, Any]]:
    """Give each curve as words and as rows at whole years of age, with a link to its findings."""
    return [
        {
            "row": row,
            "words": end_words(figure, row),
            "ages": [years(age) for age in row.ages],
            "rows": list(_whole_years(row)),
            "findings": findings_address(narrowed(figure.selection, by=figure.by, key=row.key)),
        }
        for row in figure.rows
    ]


def side_lines(figure: CompareFigure) -> list[dict[str, Any]]:
    """Give the two types of a comparison, each with a link to its findings."""
    return [
        {"side": side, "findings": findings_address(figure.selection.only("component", side.key))}
        for side in (figure.one, figure.other)
    ]


def strata_lines(figure: CompareFigure) -> list[dict[str, Any]]:
    """Give the strata of a comparison with links to the findings of both types."""
    lines = []
    for stratum in figure.strata:
        place = figure.selection.of_age(stratum.band)
        for trait, key in stratum.alike:
            place = place.only(trait, key)
        sides = [
            {
                "events": events,
                "years": years,
                "findings": findings_address(place.only("component", side.key)),
            }
            for events, years, side in zip(
                stratum.events, stratum.years, (figure.one, figure.other), strict=True
            )
        ]
        lines.append({"stratum": stratum, "sides": sides})
    return lines


def forecast_lines(figure: ForecastFigure) -> list[dict[str, Any]]:
    """Give the forecast of each type with a link to the failures it rests on."""
    return [
        {
            "row": row,
            "new_family": number == 0 or figure.rows[number - 1].family != row.family,
            "findings": findings_address(figure.selection.only("component", row.key)),
            "months": list(zip(figure.months, row.months, strict=True)),
        }
        for number, row in enumerate(figure.rows)
    ]


def band_lines(figure: MaintenanceFigure) -> list[dict[str, Any]]:
    """Give each stretch of time since care with a link to its failures."""
    return [
        {
            "row": band,
            "findings": findings_address(figure.selection.after_maintenance((figure.rule.work, band.place))),
        }
        for band in figure.bands
    ]


def maintenance_notes(figure: MaintenanceFigure) -> list[dict[str, str]]:
    """Sentences on which failures and which care do not count, the failures with a link to them."""
    seen, before, work = figure.at_maintenance, figure.unknown_events, figure.rule.work
    entries: list[tuple[int, str, Since]] = [
        (
            seen,
            (
                f"{counted(seen, 'failure')} {'was' if seen == 1 else 'were'} first seen on a care visit: "
                "nobody had to call, and nobody knows since when."
            ),
            (AT_MAINTENANCE, None),
        ),
        (
            before,
            (
                f"{counted(before, 'failure')} in {amount(figure.unknown_years)} item-years came before we "
                f"had {work} the part a first time{', repairs aside' if figure.with_repairs else ''}."
            ),
            (work, None),
        ),
    ]
    notes = [
        {"sentence": sentence, "findings": findings_address(figure.selection.after_maintenance(since))}
        for number, sentence, since in entries
        if number
    ]
    if figure.with_repairs:
        notes.append(
            {
                "sentence": (
                    f"{figure.with_repairs:,} of {count(figure.cares, 'time')} that such a part was {work} "
                    "came with the repair of a failure. The clock runs on there."
                )
            }
        )
    return notes


def new_interval(figure: MaintenanceFigure) -> dict[str, Any]:
    """Propose another interval for a rule, and the reason that will stand in its history."""
    on = long_date(figure.selection.as_of)
    why = f"figures of {on}: {counted(figure.events, 'failure')} by time since care"
    return {"months": figure.months, "why": why}


def rules_to_ask_about() -> list[dict[str, Any]]:
    """List the care rules in force, each with a link to what the records say of it."""
    return [
        {
            "rule": rule,
            "address": reverse("reports:maintenance", query={"rule": rule.pk}),
        }
        for rule in rules_in_force()
    ]


def inspection_reason(selection: Selection) -> str:
    """Propose what to look at in the units of a list of findings."""
    about = ", ".join(f"{name} {words}" for name, words in selection_words(selection))
    return f"look at it because of the figures{f': {about}' if about else ''}"[:200]


def flag_findings(flag: LotFlag | ThinLot) -> str:
    """Address of the failures of a lot or type."""
    chosen = Selection(as_of=timezone.localdate()).only("component", flag.component_type_id)
    return findings_address(chosen.only("lot", flag.lot) if flag.lot else chosen)


def flag_lines(figure: SurveillanceFigure) -> list[dict[str, Any]]:
    """Give the lots and types that stand out, each with a link to its failures."""
    return [
        {
            "flag": flags[-1],
            "ways": flag_ways(flags),
            "since": min(flag.raised_on for flag in flags),
            "findings": flag_findings(flags[-1]),
        }
        for flags in figure.standing_out
    ]


def thin_lines(figure: SurveillanceFigure) -> list[dict[str, Any]]:
    """Give the lots with too little evidence, with what can be said and a link to their failures."""
    return [
        {
            "lot": lot,
            "why": thin_words(lot),
            "rate": own_rate_words(lot),
            "findings": flag_findings(lot),
        }
        for lot in figure.thin[:MOST_THIN]
    ]


def pairs_of_types() -> list[dict[str, Any]]:
    """List the pairs of types of one kind that are in use, each with a link to its comparison."""
    types = ComponentType.objects.filter(in_use=True).order_by("name")
    return [
        {
            "kind": Kind(one.kind).label,
            "words": f"{one.name} against {other.name}",
            "address": reverse("reports:compare", query={"one": one.pk, "other": other.pk}),
        }
        for kind in Kind
        for one, other in combinations([each for each in types if each.kind == kind], 2)
    ]


def _whole_years(row: CurveRow) -> Iterable[dict[str, Any]]:
    """Read a curve at whole years, with the failures since the year before."""
    curve = row.curve
    if curve is None:
        return
    for year in range(1, int(curve.stop // DAYS_PER_YEAR) + 1):
        age = year * DAYS_PER_YEAR
        if age < curve.start:
            continue
        estimate = curve.at(age)
        within = (curve.age > age - DAYS_PER_YEAR) & (curve.age <= age)
        yield {
            "year": year,
            "failures": int(curve.events[within].sum()),
            "watched": int(curve.at_risk[curve.age <= age][-1]) if (curve.age <= age).any() else None,
            "found": estimate,
        }


def exclusion_reason_counts(selection: Selection, chosen: ExclusionReason | None) -> dict[str, Any]:
    """Count the findings of a selection by exclusion reason, with a link to those of each."""
    _, totals = findings_by_exclusion_reason(Scope(selection))
    whole = sum(totals.values())
    excluded = dict(
        exclusion_sentences(
            {
                exclusion_reason: totals[exclusion_reason]
                for exclusion_reason in ExclusionReason
                if exclusion_reason != ExclusionReason.EVENT
            }
        )
    )
    sentences: dict[ExclusionReason | None, str] = {
        exclusion_reason: excluded.get(
            str(exclusion_reason), f"No finding of this sort: {EXCLUSION_REASON_WORDS[exclusion_reason]}."
        )
        for exclusion_reason in ExclusionReason
    }
    sentences[None] = f"{counted(whole, 'finding')} in all."
    sentences[ExclusionReason.EVENT] = (
        f"{counted(totals[ExclusionReason.EVENT], 'failure')}, of {sentences[None]}"
    )
    here = sentences[chosen]
    return {
        "here": here[:1].upper() + here[1:],
        "others": [
            {
                "sentence": sentences[exclusion_reason],
                "findings": findings_address(selection, exclusion_reason),
            }
            for exclusion_reason in (*ExclusionReason, None)
            if exclusion_reason != chosen and (exclusion_reason is None or totals[exclusion_reason])
        ],
    }


def findings_lines(selection: Selection, findings: list[Finding]) -> list[dict[str, Any]]:
    """Give findings with what each counts as and how old the part was."""
    exclusion_reasons = exclusion_reasons_of(selection, findings)
    return [
        {
            "finding": finding,
            "age": _age(finding),
            "exclusion_reason": EXCLUSION_REASON_WORDS[exclusion_reasons[finding.pk]],
        }
        for finding in findings
    ]


def _age(finding: Finding) -> str:
    part = finding.installed_part
    if part is None:
        return ""
    if not part.age_known:
        return "not known"
    return years((finding.found_on - part.fitted_on).days)


def log_totals(first: date, last: date, kind: str) -> dict[str, Any]:
    """Add up a run of days of the log by type of part."""
    failures = FailureDay.objects.between(first, last).of_kind(kind).totals()
    risk = RiskDay.objects.between(first, last).of_kind(kind).totals()
    lines = [
        {
            "kind": Kind(row["kind"]).label,
            "name": row["name"],
            "failures": failures.get(row["key"], 0),
            "years": amount(row["days"] / DAYS_PER_YEAR),
        }
        for row in risk
    ]
    days = sum(row["days"] for row in risk)
    return {"lines": lines, "failures": sum(failures.values()), "years": amount(days / DAYS_PER_YEAR)}
