"""URLs of maintenance, tasks, visits, routes, messages and calendars."""

from __future__ import annotations

from django.urls import path

from schedules.maintenance import terms_views
from schedules.maintenance import views as maintenance_views
from schedules.plans import views as route_views
from schedules.visits import task_views
from schedules.visits import views as visit_views
from servicedesk.core.web.lazy_views import LazyViews

calendar_views, notification_views = (
    LazyViews(f"schedules.{module}.views") for module in ("calendars", "notifications")
)

app_name = "schedules"
urlpatterns = [
    path("due/", task_views.due_work, name="tasks"),
    path("due/look/", task_views.look_now, name="look_now"),
    path("tasks/<int:pk>/", task_views.task, name="task"),
    path("tasks/<int:pk>/wait/", task_views.let_wait, name="let_task_wait"),
    path("tasks/<int:pk>/go-on/", task_views.go_on, name="stop_waiting"),
    path("tasks/<int:pk>/cancel/", task_views.cancel, name="cancel_task"),
    path("tasks/<int:pk>/done/", task_views.done, name="complete_task"),
    path("care-rules/", maintenance_views.maintenance_rules, name="maintenance_rules"),
    path("care-rules/add/", maintenance_views.add_maintenance_rule, name="add_maintenance_rule"),
    path("care-rules/<int:pk>/", maintenance_views.change_maintenance_rule, name="change_maintenance_rule"),
    path("care-ahead/", maintenance_views.maintenance_ahead, name="maintenance_ahead"),
    path("sites/<int:site_pk>/care/", maintenance_views.site_maintenance, name="site_maintenance"),
    path("who-does-the-care/", maintenance_views.care_by, name="care_by"),
    path("visits/", visit_views.visits, name="visits"),
    path("visits/plan/", visit_views.plan_visit, name="plan_visit"),
    path("visits/export.ics", calendar_views.export, name="export_visits"),
    path("visits/<int:pk>/", visit_views.visit, name="visit"),
    path("visits/<int:pk>/change/", visit_views.change_visit, name="change_visit"),
    path("visits/<int:pk>/confirm/", visit_views.confirm_visit, name="confirm_visit"),
    path("visits/<int:pk>/cancel/", visit_views.cancel_visit, name="cancel_visit"),
    path("visits/<int:pk>/move/", route_views.move_visit, name="move_visit"),
    path("visits/<int:pk>/keep/", route_views.keep_visit, name="keep_visit"),
    path("week/", route_views.week_sheet, name="week_sheet"),
    path("week/plan/", route_views.ask_for_week, name="ask_for_week"),
    path("week/plan/<int:pk>/", route_views.week_progress, name="week_progress"),
    path("week/weather/", route_views.weather, name="weather"),
    path("routes/<int:person_pk>/<slug:day>/", route_views.route_sheet, name="route"),
    path("routes/<int:person_pk>/<slug:day>/confirm/", route_views.confirm_route, name="confirm_route"),
    path("letters/", notification_views.notifications, name="notifications"),
    path("letters/ask/", notification_views.ask_customers, name="ask_customers"),
    path("letters/words/", notification_views.notification_texts, name="notification_texts"),
    path(
        "letters/words/<slug:kind>/",
        notification_views.change_notification_text,
        name="change_notification_text",
    ),
    path("letters/<int:pk>/", notification_views.one_notification, name="notification"),
    path("letters/<int:pk>/again/", notification_views.try_again, name="try_notification_again"),
    path(
        "customers/<int:customer_pk>/mail/",
        notification_views.customer_email_preference,
        name="customer_email_preference",
    ),
    path("working-times/", terms_views.working_times, name="working_times"),
    path("working-times/<int:person_pk>/", terms_views.change_terms, name="change_terms"),
    path("absences/<int:pk>/remove/", terms_views.remove_absence, name="remove_absence"),
    path("sites/<int:site_pk>/times/", terms_views.agreed_times, name="agreed_times"),
    path("agreed-times/<int:pk>/drop/", terms_views.drop_agreed_time, name="drop_agreed_time"),
    path("calendars/", calendar_views.calendars, name="calendars"),
    path("calendars/make/", calendar_views.make_link, name="make_link"),
    path("calendars/<int:pk>/replace/", calendar_views.replace_link, name="replace_link"),
    path("calendars/<int:pk>/revoke/", calendar_views.revoke_link, name="revoke_link"),
    path("calendar/<slug:secret>.ics", calendar_views.feed, name="feed"),
    path("calendar/<slug:secret>/to-do.ics", calendar_views.feed_of_todos, name="feed_of_todos"),
    path("calendar/<slug:secret>/due.ics", calendar_views.feed_of_due, name="feed_of_due"),
]
