"""Template context of findings and the failure log."""

from __future__ import annotations

from datetime import date
from typing import Any

from servicedesk.calls.models import Finding
from servicedesk.core.values.words import counted
from servicedesk.reports.models import FailureDay, RiskDay
from servicedesk.reports.queries.exclusion_reasons import (
    EXCLUSION_REASON_WORDS,
    ExclusionReason,
    findings_address,
    findings_by_exclusion_reason,
)
from servicedesk.reports.queries.listing import exclusion_reasons_of
from servicedesk.reports.queries.scope import Scope
from servicedesk.reports.questions.exclusion_words import exclusion_sentences
from servicedesk.reports.questions.judgements import DAYS_PER_YEAR
from servicedesk.reports.questions.selection import Selection
from servicedesk.reports.words import amount, years
from units.models import Kind


def exclusion_reason_counts(selection: Selection, chosen: ExclusionReason | None) -> dict[str, Any]:
    """Counts of the findings of a selection by exclusion reason, as sentences with links."""
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
            str(exclusion_reason), f"No such finding: {EXCLUSION_REASON_WORDS[exclusion_reason]}."
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
    """Findings with the exclusion reason and the age of the part of each."""
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
    """Totals of the failure log between two days, by type of part."""
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
