"""URLs of the technician's pages."""

from __future__ import annotations

from django.urls import path

from servicedesk.field import views

app_name = "field"
urlpatterns = [
    path("", views.today, name="today"),
    path("stops/<int:visit_pk>/", views.stop, name="stop"),
    path("stops/<int:visit_pk>/finish/", views.finish, name="finish"),
    path("units/<int:unit_pk>/", views.unit, name="unit"),
    path("units/<int:unit_pk>/work/", views.work, name="work"),
    path("token/", views.token, name="token"),
    path("inbox/", views.inbox, name="inbox"),
    path("photos/", views.photos, name="photos"),
    path("signed-out/", views.signed_out, name="signed_out"),
    path("sw.js", views.service_worker, name="service_worker"),
    path("manifest.webmanifest", views.manifest, name="manifest"),
]
