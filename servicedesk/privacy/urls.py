"""URLs of a customer's personal data."""

from __future__ import annotations

from django.urls import path

from servicedesk.core.web.lazy_views import LazyViews

views = LazyViews("servicedesk.privacy.views")

app_name = "privacy"
urlpatterns = [
    path("customers/<int:pk>/all-we-hold.json", views.export_data, name="export_data"),
    path("customers/<int:pk>/erase/", views.erase, name="anonymize_customer"),
]
