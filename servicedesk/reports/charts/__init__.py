"""SVG charts: interval rows, step curves with bands, funnel plots, and monthly bars.

They take numbers and words, are independent of pages, and import no Django. Like the drawings of units they
are 320 wide, so that on a phone 320 pixels wide no text is smaller than 11, and contain no style and no
script: a strict content security policy, a printer and a mail reader all accept them. Nothing is shown by
color alone.
"""

from servicedesk.reports.charts.funnel import FunnelLimits, FunnelPoint, funnel
from servicedesk.reports.charts.intervals import IntervalRow, axis_top, interval_rows
from servicedesk.reports.charts.months import MonthBar, month_bars
from servicedesk.reports.charts.scales import nice_top
from servicedesk.reports.charts.steps import Steps, step_curve

__all__ = [
    "FunnelLimits",
    "FunnelPoint",
    "IntervalRow",
    "MonthBar",
    "Steps",
    "axis_top",
    "funnel",
    "interval_rows",
    "month_bars",
    "nice_top",
    "step_curve",
]
