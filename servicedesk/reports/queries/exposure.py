"""Exposure: items and days at risk by group and site."""

# ruff: noqa: S608  # values are bound; what is put into the text are names and expressions of our own
from __future__ import annotations

from typing import Any

from servicedesk.reports.queries.scope import OVERLAPS, Scope


def at_risk_by_site(scope: Scope) -> list[tuple[Any, ...]]:
    """Time at risk by group and site.

    Returns
    -------
    list of tuple
        Group, site, items, items of unknown age, days at risk, days times pieces as fitted (`departed_days`
        has the correction for pieces removed early), and days at risk up to the last inspection.
    """
    inspected = "0"
    if scope.inspection_modes:
        end = scope.least("last_day", "looked_day")
        inspected = f"CASE WHEN looked_day > first_day THEN {end} - first_day ELSE 0 END"
    fitted = scope.day("f.fitted_on")
    return scope.rows(
        f"WITH {scope.spans(cut=True)}"
        " SELECT grp, site_id, SUM(item), SUM(item * ageless), SUM(last_day - first_day),"
        f" SUM((last_day - first_day) * pieces), SUM({inspected}) FROM ("
        f"SELECT {scope.group()} AS grp, w.site_id, f.pieces, w.looked_day,"
        " CASE WHEN f.age_known THEN 0 ELSE 1 END AS ageless,"
        " CASE WHEN w.before_on IS NULL OR f.fitted_on >= w.before_on THEN 1 ELSE 0 END AS item,"
        " CASE WHEN f.removed_on IS NULL OR f.removed_on >= w.until_on THEN w.last_day"
        f" ELSE {scope.day('f.removed_on')} END AS last_day,"
        f" CASE WHEN f.fitted_on <= w.from_on THEN w.first_day ELSE {fitted} END AS first_day"
        f" FROM units_installedpart f CROSS JOIN w WHERE {OVERLAPS}{scope.of_installed_parts()} "
        f"{scope.dialect.fence}"
        ") AS at_risk GROUP BY grp, site_id"
    )


def departed_days(scope: Scope) -> list[tuple[Any, int]]:
    """Piece-days lost by partial removals, by group."""
    end = scope.least("COALESCE(f.removed_on, w.until_on)", "w.until_on")
    begin = scope.greatest("f.fitted_on", "w.from_on", "d.left_on")
    return scope.rows(
        f"WITH {scope.spans(cut=True, looks=False)}"
        f" SELECT {scope.group()}, SUM(d.pieces * ({scope.day(end)} - {scope.day(begin)}))"
        " FROM units_partialremoval d CROSS JOIN units_installedpart f CROSS JOIN w"
        f" WHERE f.id = d.installed_part_id AND {OVERLAPS}{scope.of_installed_parts()} AND {begin} < {end} "
        f"GROUP BY 1"
    )


def items_without_time(scope: Scope) -> int:
    """Number of parts observed on one day only, and so without time at risk.

    A part fitted and removed on one day, removed on the day its unit was taken over, or fitted on the day
    the records are read: libraries disagree about such records, so they count nowhere and their number is
    reported.
    """
    chosen = scope.selection
    begin = scope.greatest("f.fitted_on", "p.from_on")
    end = scope.least("COALESCE(f.removed_on, %(as_of)s)", "COALESCE(p.until_on, %(as_of)s)", "%(as_of)s")
    window = f" AND {begin} <= %(last)s" + (f" AND {begin} > %(after)s" if chosen.after else "")
    watch = "SELECT 1 FROM units_observationperiod p WHERE p.unit_id = f.unit_id AND"
    ((count,),) = scope.rows(
        "SELECT COUNT(*) FROM units_installedpart f"
        # Only these can have such a record; the observation periods of all parts would take long.
        " WHERE (f.removed_on IS NOT NULL OR f.fitted_on = %(as_of)s"
        " OR f.unit_id IN (SELECT unit_id FROM units_observationperiod"
        " WHERE from_on = until_on OR from_on = %(as_of)s)"
        " OR (f.unit_id, f.fitted_on) IN (SELECT unit_id, until_on FROM units_observationperiod))"
        f"{scope.of_installed_parts()}{scope.of_units()}"
        f" AND EXISTS ({watch} {begin} = {end}{window}) AND NOT EXISTS ({watch} {begin} < {end})"
    )
    return int(count)


def units_noted(scope: Scope) -> dict[str, int]:
    """Number of units with a note on their time at risk.

    Returns
    -------
    dict
        ``lost_units``, whose time ended at the last contact with their site; ``silent_units``, without
        contact for as long, but not known to be lost; ``start_not_said``, without a recorded beginning of
        follow-up.
    """
    quiet = ", ".join(f"({site})" for site in sorted(scope.out_of_sight.silent) or [0])  # a table needs a row
    ((lost, silent_units, unsaid),) = scope.rows(
        f"WITH {scope.lost()}, quiet AS MATERIALIZED (SELECT column1 AS site_id FROM (VALUES {quiet}) AS v)"
        " SELECT COALESCE(SUM(CASE WHEN heard THEN 0 ELSE 1 END), 0),"
        " COALESCE(SUM(CASE WHEN heard AND silent THEN 1 ELSE 0 END), 0), COALESCE(SUM(unsaid), 0) FROM ("
        f"SELECT u.site_id NOT IN (SELECT site_id FROM lost) AS heard,"
        " p.until_on IS NULL AND u.site_id IN (SELECT site_id FROM quiet) AS silent,"
        " CASE WHEN p.began = 'unsaid' THEN 1 ELSE 0 END AS unsaid"
        " FROM units_unit u JOIN units_site s ON s.id = u.site_id JOIN units_observationperiod p"
        " ON p.unit_id = u.id AND p.from_on < %(as_of)s"
        " AND (p.until_on IS NULL OR p.until_on >= %(as_of)s)"
        f" WHERE TRUE{scope.where('u', 's')}) AS noted"
    )
    return {"lost_units": int(lost), "silent_units": int(silent_units), "start_not_said": int(unsaid)}
