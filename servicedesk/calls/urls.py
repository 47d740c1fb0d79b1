"""URLs of calls."""

from __future__ import annotations

from django.urls import path

from servicedesk.calls.views import calls, findings, inspections, log, photos, works

app_name = "calls"
urlpatterns = [
    path("", calls.calls, name="calls"),
    path("log/", log.log_call, name="log_call"),
    path("log/<int:site_pk>/", log.log_call_at, name="log_call_at"),
    path("<int:pk>/", calls.call, name="call"),
    path("<int:pk>/change/", calls.change_call, name="change_call"),
    path("<int:pk>/unit/", calls.set_unit, name="set_unit"),
    path("<int:pk>/wait/", calls.wait, name="wait"),
    path("<int:pk>/go-on/", calls.resume, name="resume"),
    path("<int:pk>/close/", calls.close, name="close"),
    path("<int:pk>/cancel/", calls.cancel, name="cancel"),
    path("<int:pk>/reopen/", calls.reopen, name="reopen"),
    path("safety/<int:answer_pk>/answer/", calls.answer, name="answer"),
    path("safety/<int:answer_pk>/made-safe/", calls.make_safe, name="make_safe"),
    path("<int:call_pk>/findings/add/", findings.add_finding, name="add_finding"),
    path("units/<int:unit_pk>/findings/add/", findings.add_unit_finding, name="add_unit_finding"),
    path("findings/<int:finding_pk>/change/", findings.change_finding, name="change_finding"),
    path("<int:pk>/photos/add/", photos.add_call_photo, name="add_call_photo"),
    path("photos/<int:photo_pk>/", photos.photo, name="photo"),
    path("<int:call_pk>/works/add/", works.add_work, name="add_work"),
    path("units/<int:unit_pk>/works/add/", works.add_unit_work, name="add_unit_work"),
    path("units/<int:unit_pk>/no-fault/", inspections.record_no_fault, name="record_no_fault"),
    path("sites/<int:site_pk>/no-fault/", inspections.record_no_faults, name="record_no_faults"),
]
