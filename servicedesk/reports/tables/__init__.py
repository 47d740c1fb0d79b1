"""Figures as rows of a file, as JSON and as text: the same numbers the pages show."""

from servicedesk.reports.tables.comparison import compare_header, compare_json, compare_rows
from servicedesk.reports.tables.curves import curve_columns, curves_header, curves_json, curves_rows
from servicedesk.reports.tables.forecast import forecast_header, forecast_json, forecast_rows
from servicedesk.reports.tables.log import LOG_HEADER, log_rows
from servicedesk.reports.tables.maintenance import maintenance_header, maintenance_json, maintenance_rows
from servicedesk.reports.tables.rates import rates_header, rates_json, rates_rows
from servicedesk.reports.tables.surveillance import SURVEILLANCE_HEADER, surveillance_json, surveillance_rows
from servicedesk.reports.tables.text import as_text
from servicedesk.reports.tables.year import PAPER_HEADER, paper_json, paper_rows

__all__ = [
    "LOG_HEADER",
    "PAPER_HEADER",
    "SURVEILLANCE_HEADER",
    "as_text",
    "compare_header",
    "compare_json",
    "compare_rows",
    "curve_columns",
    "curves_header",
    "curves_json",
    "curves_rows",
    "forecast_header",
    "forecast_json",
    "forecast_rows",
    "log_rows",
    "maintenance_header",
    "maintenance_json",
    "maintenance_rows",
    "paper_json",
    "paper_rows",
    "rates_header",
    "rates_json",
    "rates_rows",
    "surveillance_json",
    "surveillance_rows",
]
