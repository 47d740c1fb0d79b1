"""URLs of the figures."""

from __future__ import annotations

from django.urls import path

from servicedesk.core.web.lazy_views import LazyViews

annual_report, comparison, curves, findings, forecast, maintenance, rates, surveillance = (
    LazyViews(f"servicedesk.reports.{figure}.views")
    for figure in (
        *("annual_report", "comparison", "curves", "findings", "forecast", "maintenance", "rates"),
        "surveillance",
    )
)
views = LazyViews("servicedesk.reports.views")

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("rates/", rates.rates, name="rates"),
    path("compare/", comparison.compare, name="compare"),
    path("aging/", curves.aging, name="aging"),
    path("lasting/", curves.lasting, name="lasting"),
    path("forecast/", forecast.forecast, name="forecast"),
    path("maintenance/", maintenance.maintenance, name="maintenance"),
    path("maintenance/<int:pk>/interval/", maintenance.change_interval, name="change_interval"),
    path("year/", annual_report.year, name="year"),
    path("surveillance/", surveillance.surveillance, name="surveillance"),
    path("surveillance/<int:pk>/", surveillance.flag, name="flag"),
    path("surveillance/<int:pk>/inspect/", surveillance.inspect_flag, name="inspect_flag"),
    path("findings/inspect/", surveillance.inspect_findings, name="inspect_findings"),
    path("findings/", findings.findings, name="findings"),
    path("predictions/", forecast.predictions, name="predictions"),
    path("log/", findings.log, name="log"),
]
