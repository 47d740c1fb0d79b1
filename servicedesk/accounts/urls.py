"""URLs of accounts and sign-in."""

from __future__ import annotations

from django.urls import path

from servicedesk.accounts import account_views, body_sizes, sign_in_views, views

app_name = "accounts"
urlpatterns = [
    path("sign-in/", sign_in_views.SignIn.as_view(), name="sign_in"),
    path("sign-in/code/", sign_in_views.code, name="code"),
    path("sign-out/", sign_in_views.SignOut.as_view(), name="sign_out"),
    path("welcome/<int:pk>/<str:token>/", sign_in_views.welcome, name="welcome"),
    path("me/", account_views.me, name="me"),
    path("me/browsers/end-others/", account_views.end_other_user_sessions, name="end_other_user_sessions"),
    path("me/browsers/<uuid:mark>/end/", account_views.end_user_session, name="end_user_session"),
    path("me/second-step/", account_views.mfa, name="mfa"),
    path("me/second-step/end/", account_views.no_mfa, name="no_mfa"),
    path("people/", views.people, name="people"),
    path("people/add/", views.add_person, name="add_person"),
    path("people/<int:pk>/", views.person, name="person"),
    path("people/<int:pk>/password/", views.person_password, name="person_password"),
    path("people/<int:pk>/invite/", views.invite_person, name="invite_person"),
    path("people/<int:pk>/sign-out/", views.sign_person_out, name="sign_person_out"),
    path("people/<int:pk>/second-step/end/", views.end_mfa, name="end_mfa"),
    path("too-large/", body_sizes.too_large, name="too_large"),
]
