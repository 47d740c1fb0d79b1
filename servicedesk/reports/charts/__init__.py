"""Pictures of figures: rows of intervals, step curves with their band, funnels, and months, as SVG.

They take numbers and words, know nothing of pages, and import no Django. Like the drawings of units they
are 320 wide, so that on a phone 320 pixels wide no lettering is smaller than 11, and carry no style and no
script: a strict content security policy, a printer and a mail reader all accept them. Nothing is said by
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
