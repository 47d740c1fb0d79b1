"""Addresses of the figures."""

from __future__ import annotations

from django.urls import path

from servicedesk.reports import plan_views, views

app_name = "reports"
urlpatterns = [
    path("", views.figures, name="figures"),
    path("rates/", views.rates, name="rates"),
    path("compare/", views.compare, name="compare"),
    path("ageing/", views.ageing, name="ageing"),
    path("lasting/", views.lasting, name="lasting"),
    path("ahead/", plan_views.ahead, name="ahead"),
    path("care/", plan_views.care, name="care"),
    path("care/<int:pk>/interval/", plan_views.change_interval, name="change_interval"),
    path("year/", plan_views.year, name="year"),
    path("findings/", views.findings, name="findings"),
    path("log/", views.log, name="log"),
]
