"""Template context of the comparison of two types."""

from __future__ import annotations

from itertools import combinations
from typing import Any

from django.urls import reverse

from servicedesk.reports.comparison.figure import CompareFigure
from servicedesk.reports.queries.exclusion_reasons import (
    findings_address,
)
from units.models import ComponentType, Kind


def side_lines(figure: CompareFigure) -> list[dict[str, Any]]:
    """The two types of a comparison, each with a link to its findings."""
    return [
        {"side": side, "findings": findings_address(figure.selection.only("component", side.key))}
        for side in (figure.one, figure.other)
    ]


def strata_lines(figure: CompareFigure) -> list[dict[str, Any]]:
    """Strata of a comparison with links to the findings of both types."""
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


def pairs_of_types() -> list[dict[str, Any]]:
    """Pairs of types of one kind that are in use, each with a link to its comparison."""
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
