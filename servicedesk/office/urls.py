"""Addresses of the pages that join several apps."""

from __future__ import annotations

from django.urls import path

from servicedesk.lazy_views import LazyViews
from servicedesk.office import (
    customer_views,
    finishing,
    health,
    homes,
    label_views,
    sheets,
)

intake_views, privacy_views = (
    LazyViews(f"servicedesk.office.{module}") for module in ("intake_views", "privacy_views")
)

app_name = "office"
urlpatterns = [
    path("", homes.home, name="home"),
    path("units/<int:pk>/", sheets.unit_sheet, name="unit_sheet"),
    path("sites/<int:pk>/", sheets.site_sheet, name="site_sheet"),
    path("parts-and-rules/", sheets.reference, name="reference"),
    path("files/", intake_views.imports, name="imports"),
    path("files/bring-in/", intake_views.bring_in, name="bring_in"),
    path("files/empty/<slug:what>.csv", intake_views.empty_file, name="empty_file"),
    path("files/<int:pk>/", intake_views.one_import, name="import"),
    path("files/<int:pk>/apply/", intake_views.apply_import, name="apply_import"),
    path("files/<int:pk>/undo/", intake_views.undo_import, name="undo_import"),
    path("files/<int:pk>/stop/", intake_views.stop_import, name="stop_import"),
    path("files/<int:pk>/go-on/", intake_views.go_on_with_import, name="go_on_with_import"),
    path("files/<int:pk>/forget/", intake_views.forget_import, name="forget_import"),
    path("files/<int:pk>/problems.csv", intake_views.import_problems, name="import_problems"),
    path("files/<int:pk>/<slug:file>-bad.csv", intake_views.import_bad_rows, name="import_bad_rows"),
    path("customers/<int:pk>/all-we-hold.json", privacy_views.hand_out, name="hand_out"),
    path("customers/<int:pk>/erase/", privacy_views.erase, name="erase_customer"),
    path("your-visit/<str:token>/", customer_views.customer_visit, name="customer_visit"),
    path("alive/", health.alive, name="alive"),
    path("ready/", health.ready, name="ready"),
    path("stickers/", label_views.labels, name="labels"),
    path("stickers/<int:pk>/new/", label_views.new_label, name="new_label"),
    path("w/<str:code>/", label_views.label, name="label"),
    path("phone-records/<int:pk>/seen/", homes.see_record, name="see_record"),
    path("answers/<int:pk>/seen/", homes.see_answer, name="see_answer"),
    path("visits/<int:pk>/finish/", finishing.finish_page, name="finish_visit"),
]
