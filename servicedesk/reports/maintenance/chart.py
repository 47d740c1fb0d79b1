"""Charts of maintenance rules."""

from __future__ import annotations

from django.utils.safestring import SafeString

from servicedesk.reports.charts import (
    interval_rows,
)
from servicedesk.reports.maintenance.figure import MaintenanceFigure
from servicedesk.reports.questions.judgements import PER
from servicedesk.reports.rates.chart import rate_row


def maintenance_picture(figure: MaintenanceFigure) -> SafeString:
    """Draw the failure rate in each band of time since maintenance."""
    rows = [rate_row(band.name, band.judged) for band in figure.bands]
    svg = interval_rows(
        rows,
        title=f"Failures of {figure.rule.component_type} by the time since maintenance",
        axis=f"failures a year per {PER} parts",
        id_prefix="care",
        heading=f"Time since it was {figure.rule.work}",
    )
    return SafeString(svg)  # our own drawing escapes every text  # nosec B703
