"""Addresses of the figures."""

from __future__ import annotations

from django.urls import path

from servicedesk.core.web.lazy_views import LazyViews

plan_views, views, surveillance_views = (
    LazyViews(f"servicedesk.reports.{module}") for module in ("plan_views", "views", "surveillance.views")
)

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("rates/", views.rates, name="rates"),
    path("compare/", views.compare, name="compare"),
    path("aging/", views.aging, name="aging"),
    path("lasting/", views.lasting, name="lasting"),
    path("forecast/", plan_views.forecast, name="forecast"),
    path("maintenance/", plan_views.maintenance, name="maintenance"),
    path("maintenance/<int:pk>/interval/", plan_views.change_interval, name="change_interval"),
    path("year/", plan_views.year, name="year"),
    path("surveillance/", surveillance_views.surveillance, name="surveillance"),
    path("surveillance/<int:pk>/", surveillance_views.flag, name="flag"),
    path("surveillance/<int:pk>/inspect/", surveillance_views.inspect_flag, name="inspect_flag"),
    path("findings/inspect/", surveillance_views.inspect_findings, name="inspect_findings"),
    path("findings/", views.findings, name="findings"),
    path("predictions/", views.predictions, name="predictions"),
    path("log/", views.log, name="log"),
]
