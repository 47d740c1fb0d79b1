"""URLs of the pages that join several apps."""

from __future__ import annotations

from django.urls import path

from servicedesk.office import finishing, health, history_views, homes, sheets

app_name = "office"
urlpatterns = [
    path("", homes.home, name="home"),
    path("units/<int:pk>/", sheets.unit_sheet, name="unit_sheet"),
    path("sites/<int:pk>/", sheets.site_sheet, name="site_sheet"),
    path("parts-and-rules/", sheets.reference, name="reference"),
    path("alive/", health.alive, name="alive"),
    path("ready/", health.ready, name="ready"),
    path("phone-records/<int:pk>/seen/", homes.see_record, name="see_record"),
    path("answers/<int:pk>/seen/", homes.see_answer, name="see_answer"),
    path("visits/<int:pk>/finish/", finishing.finish_page, name="finish_visit"),
    path("history/", history_views.history, name="history"),
]
