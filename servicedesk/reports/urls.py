"""Addresses of the figures."""

from __future__ import annotations

from django.urls import path

from servicedesk.lazy_views import LazyViews

plan_views, views, watch_views = (
    LazyViews(f"servicedesk.reports.{module}") for module in ("plan_views", "views", "surveillance.views")
)

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("rates/", views.rates, name="rates"),
    path("compare/", views.compare, name="compare"),
    path("aging/", views.aging, name="aging"),
    path("lasting/", views.lasting, name="lasting"),
    path("ahead/", plan_views.ahead, name="ahead"),
    path("care/", plan_views.care, name="care"),
    path("care/<int:pk>/interval/", plan_views.change_interval, name="change_interval"),
    path("year/", plan_views.year, name="year"),
    path("watch/", watch_views.watch, name="watch"),
    path("watch/<int:pk>/", watch_views.flag, name="flag"),
    path("watch/<int:pk>/inspect/", watch_views.inspect_flag, name="inspect_flag"),
    path("findings/inspect/", watch_views.inspect_findings, name="inspect_findings"),
    path("findings/", views.findings, name="findings"),
    path("foretold/", views.foretold, name="foretold"),
    path("log/", views.log, name="log"),
]
