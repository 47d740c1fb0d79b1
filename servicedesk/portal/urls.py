"""URLs that people without a sign-in open, and of the label sheets that lead there."""

from __future__ import annotations

from django.urls import path

from servicedesk.portal import label_views, preference_views, visit_views

app_name = "portal"
urlpatterns = [
    path("your-visit/<str:token>/", visit_views.customer_visit, name="customer_visit"),
    path("stickers/", label_views.labels, name="labels"),
    path("stickers/<int:pk>/new/", label_views.new_label, name="new_label"),
    path("w/<str:code>/", label_views.label, name="label"),
    path("your-mail/<str:token>/", preference_views.email_preference, name="email_preference"),
]
