"""SQL of the chain from a maintenance rule to a task, in its order.

1. A part in place comes under each rule of its type, as a row of `NextDue` (`due_dates.py` beside this file).
2. Where a rule treats exposed parts differently, due dates follow the exposure (`exposure.py`).
3. A row of `NextDue` whose day has come becomes a task (`schedules.operations.raising`); the task done or
   cancelled moves the row on (`schedules.operations.next_dues`), by the ORM.
4. Open tasks, and dues soon to be tasks, are listed by site (`due_work.py`).

Names in braces are filled in by these modules, from constants of their own; what people typed is always a
parameter. Throughout, ``f`` is a part in place, ``r`` a rule, ``d`` a next due, ``u`` a unit, ``s`` a site.
"""

from __future__ import annotations

from schedules.models.maintenance import Exposure

# --- 1. parts under the rules of their types ----------------------------------------------------------------

MISSING_DUES = (
    "SELECT f.id, r.id, f.fitted_on FROM units_installedpart f"
    " JOIN schedules_maintenancerule r ON r.component_type_id = f.component_type_id AND r.active"
    " AND (r.exposed_to = '' OR r.exposed_months IS NOT NULL)"
    " WHERE {which} AND f.removed_on IS NULL"
    " AND NOT EXISTS (SELECT 1 FROM schedules_nextdue d WHERE d.installed_part_id = f.id AND d.rule_id = "
    "r.id)"
    " ORDER BY f.id, r.id"
)

INSERT_DUE = (
    "INSERT INTO schedules_nextdue (installed_part_id, rule_id, counted_from, next_due_on, exposed)"
    " VALUES (%s, %s, %s, %s, FALSE) ON CONFLICT DO NOTHING"
)

# --- 2. where parts are exposed -----------------------------------------------------------------------------

# Full sun: an unshaded window between south-east and west, where north of the equator the sun beats on it for
# hours (common practice, no source); the same as the figures' "full sun".
EXPOSED = {
    Exposure.COAST: "s.coast IN ('shore', 'near')",
    Exposure.POLLEN: "s.pollen",
    Exposure.DARK_SUN: "u.finish = 'dark' AND u.shade = 'none' AND u.facing BETWEEN 113 AND 292",
}
PARTS_WITH_PLACE = (
    "units_installedpart f JOIN units_unit u ON u.id = f.unit_id JOIN units_site s ON s.id = u.site_id"
)
CHANGED_EXPOSURES = (
    "SELECT d.id, d.exposed FROM {parts} JOIN schedules_nextdue d ON d.installed_part_id = f.id"
    " WHERE d.rule_id = %s AND f.removed_on IS NULL AND d.exposed <> {exposed} AND d.id > %s"
    " ORDER BY d.id LIMIT {limit}"
)
EXPOSED_WITHOUT_DUE = (
    "SELECT f.id, f.fitted_on FROM {parts} WHERE f.component_type_id = %s AND f.removed_on IS NULL"
    " AND u.removed_on IS NULL AND {exposed} AND NOT EXISTS (SELECT 1 FROM schedules_nextdue d"
    " WHERE d.installed_part_id = f.id AND d.rule_id = %s) ORDER BY f.id LIMIT {limit}"
)

# --- 3. from a due date to a task ---------------------------------------------------------------------------

MONTHS = "JanFebMarAprMayJunJulAugSepOctNovDec"
# Day, month and year on which it was last done; `last_done_words` puts them together as `short_date` does.
DAY_PARTS = {
    "sqlite": (
        "CAST(strftime('%%d', d.last_done_on) AS INTEGER)",
        f"substr('{MONTHS}', 3 * CAST(strftime('%%m', d.last_done_on) AS INTEGER) - 2, 3)",
        "strftime('%%Y', d.last_done_on)",
    ),
    "postgresql": (
        "EXTRACT(DAY FROM d.last_done_on)",
        f"substr('{MONTHS}', 3 * EXTRACT(MONTH FROM d.last_done_on)::int - 2, 3)",
        "EXTRACT(YEAR FROM d.last_done_on)",
    ),
}


def last_done_words(vendor: str, *, month_first: bool) -> str:
    """SQL expression of the day it was last done, as Apr 2, 2025 or 2 Apr 2025."""
    day, month, year = DAY_PARTS[vendor]
    return (
        f"{month} || ' ' || {day} || ', ' || {year}"
        if month_first
        else f"{day} || ' ' || {month} || ' ' || {year}"
    )


TASK_REASON = (
    "upper(substr(r.name, 1, 1)) || substr(r.name, 2)"
    " || CASE WHEN f.panel > 0 THEN ', panel ' || f.panel ELSE '' END"
    " || CASE WHEN d.last_done_on IS NULL THEN ': never recorded as done'"
    " ELSE ': last done ' || {last_done} END"
)
INSERT_TASKS = """
INSERT INTO schedules_maintenancetask (site_id, unit_id, installed_part_id, next_due_id, origin, work, reason,
    priority, minutes, persons, level, due_on, state, waiting_for, not_done, changed_at)
"""
TASK_OF_DUE = """
SELECT u.site_id, u.id, f.id, d.id, 'care', r.work, {reason},
    {priority}, r.minutes, r.persons, r.level, d.next_due_on, 'needs-action', '', '', %s
"""
# The open tasks are read before the first new one is written: looking for each in a table that grows under
# way would take PostgreSQL minutes. The site is checked last, or SQLite would begin with all sites.
OPEN_TASKS = """
WITH open_care AS MATERIALIZED (SELECT next_due_id FROM schedules_maintenancetask
    WHERE state IN ('needs-action', 'in-process') AND next_due_id IS NOT NULL)
"""
WITHOUT_OPEN_TASK = {
    "beside": "LEFT JOIN open_care o ON o.next_due_id = d.id",
    "only": "AND o.next_due_id IS NULL",
}
DUE_BY_DAY = """
FROM schedules_nextdue d
JOIN schedules_maintenancerule r ON r.id = d.rule_id
JOIN units_installedpart f ON f.id = d.installed_part_id
JOIN units_unit u ON u.id = f.unit_id
{beside}
WHERE d.next_due_on <= %s AND r.active AND f.removed_on IS NULL AND u.removed_on IS NULL
    AND EXISTS (SELECT 1 FROM units_site s WHERE s.id = u.site_id AND s.care_by = 'us')
    {only}
"""

# --- 4. what is due, by site --------------------------------------------------------------------------------

WORK_BY_SITE = """
WITH work(site_id, priority, due_on, minutes, origin, coming) AS ({work}),
sites AS (
    SELECT site_id, MIN(priority) AS priority, MIN(due_on) AS first_due, SUM(minutes) AS minutes,
        SUM(CASE WHEN coming THEN 0 ELSE 1 END) AS tasks, SUM(CASE WHEN coming THEN 1 ELSE 0 END) AS coming,
        SUM(CASE WHEN origin = 'call' THEN 1 ELSE 0 END) AS calls
    FROM work GROUP BY site_id
)
SELECT priority, first_due, site_id, minutes, tasks, coming, calls FROM sites
{beyond} ORDER BY priority {way}, first_due {way}, site_id {way} LIMIT {limit}
"""
