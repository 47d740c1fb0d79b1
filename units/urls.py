"""URLs of the register."""

from __future__ import annotations

from django.urls import path

from units import part_views, views
from units.catalog import views as reference_views

app_name = "units"
urlpatterns = [
    path("units/", views.units, name="units"),
    path("sites/<int:site_pk>/add-unit/", views.add_unit, name="add_unit"),
    path("units/<int:pk>/change/", views.change_unit, name="change_unit"),
    path("units/<int:pk>/remove/", views.remove_unit, name="remove_unit"),
    path("units/<int:pk>/watch/", views.begin_observation, name="begin_observation"),
    path("periods/<int:pk>/stop/", views.end_observation, name="end_observation"),
    path("units/<int:pk>/fit/", part_views.fit_part, name="fit_part"),
    path("parts/<int:pk>/replace/", part_views.replace_set, name="replace_set"),
    path("parts/<int:pk>/one-panel/", part_views.change_panel_share, name="change_panel_share"),
    path("parts/<int:pk>/take-out/", part_views.take_out, name="take_out"),
    path("sites/", views.sites, name="sites"),
    path("sites/add/", views.add_site, name="add_site"),
    path("sites/<int:pk>/change/", views.change_site, name="change_site"),
    path("sites/<int:pk>/owner/", views.change_owner, name="change_owner"),
    path("customers/", views.customers, name="customers"),
    path("customers/add/", views.add_customer, name="add_customer"),
    path("customers/<int:pk>/", views.customer, name="customer"),
    path("customers/<int:pk>/change/", views.change_customer, name="change_customer"),
    path("parts-and-rules/<slug:what>/", reference_views.rows, name="reference"),
    path("parts-and-rules/<slug:what>/add/", reference_views.add_row, name="add_reference"),
    path("parts-and-rules/<slug:what>/<int:pk>/", reference_views.change_row, name="change_reference"),
]
