"""Addresses about people."""

from __future__ import annotations

from django.urls import path

from servicedesk.people import views

app_name = "people"
urlpatterns = [
    path("sign-in/", views.SignIn.as_view(), name="sign_in"),
    path("sign-out/", views.SignOut.as_view(), name="sign_out"),
    path("me/", views.me, name="me"),
    path("people/", views.people, name="people"),
    path("people/add/", views.add_person, name="add_person"),
    path("people/<int:pk>/", views.person, name="person"),
    path("people/<int:pk>/password/", views.person_password, name="person_password"),
]
