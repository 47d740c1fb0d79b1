"""Addresses of care, tasks, visits and calendars."""

from __future__ import annotations

from django.urls import path

from schedules import calendar_views, care_views, task_views, visit_views

app_name = "schedules"
urlpatterns = [
    path("due/", task_views.due_work, name="tasks"),
    path("due/look/", task_views.look_now, name="look_now"),
    path("tasks/<int:pk>/", task_views.task, name="task"),
    path("tasks/<int:pk>/wait/", task_views.let_wait, name="let_task_wait"),
    path("tasks/<int:pk>/go-on/", task_views.go_on, name="stop_waiting"),
    path("tasks/<int:pk>/cancel/", task_views.cancel, name="cancel_task"),
    path("tasks/<int:pk>/done/", task_views.done, name="complete_task"),
    path("care-rules/", care_views.care_rules, name="care_rules"),
    path("care-rules/add/", care_views.add_care_rule, name="add_care_rule"),
    path("care-rules/<int:pk>/", care_views.change_care_rule, name="change_care_rule"),
    path("who-does-the-care/", care_views.care_by, name="care_by"),
    path("visits/", visit_views.visits, name="visits"),
    path("visits/plan/", visit_views.plan_visit, name="plan_visit"),
    path("visits/export.ics", calendar_views.export, name="export_visits"),
    path("visits/<int:pk>/", visit_views.visit, name="visit"),
    path("visits/<int:pk>/change/", visit_views.change_visit, name="change_visit"),
    path("visits/<int:pk>/confirm/", visit_views.confirm_visit, name="confirm_visit"),
    path("visits/<int:pk>/cancel/", visit_views.cancel_visit, name="cancel_visit"),
    path("calendars/", calendar_views.calendars, name="calendars"),
    path("calendars/make/", calendar_views.make_link, name="make_link"),
    path("calendars/<int:pk>/replace/", calendar_views.replace_link, name="replace_link"),
    path("calendars/<int:pk>/revoke/", calendar_views.revoke_link, name="revoke_link"),
    path("calendar/<slug:secret>.ics", calendar_views.feed, name="feed"),
    path("calendar/<slug:secret>/due.ics", calendar_views.feed_of_due, name="feed_of_due"),
]
