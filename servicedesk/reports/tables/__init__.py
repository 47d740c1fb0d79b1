"""CSV rows, JSON and text of the figures: the same numbers the pages show."""

from servicedesk.reports.annual_report.table import PAPER_HEADER, paper_json, paper_rows
from servicedesk.reports.comparison.table import compare_header, compare_json, compare_rows
from servicedesk.reports.curves.table import curve_columns, curves_header, curves_json, curves_rows
from servicedesk.reports.findings.table import LOG_HEADER, log_rows
from servicedesk.reports.forecast.table import forecast_header, forecast_json, forecast_rows
from servicedesk.reports.maintenance.table import maintenance_header, maintenance_json, maintenance_rows
from servicedesk.reports.rates.table import rates_header, rates_json, rates_rows
from servicedesk.reports.surveillance.table import SURVEILLANCE_HEADER, surveillance_json, surveillance_rows
from servicedesk.reports.tables.text import as_text

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
