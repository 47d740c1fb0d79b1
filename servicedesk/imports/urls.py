"""URLs of imports."""

from __future__ import annotations

from django.urls import path

from servicedesk.core.web.lazy_views import LazyViews

views = LazyViews("servicedesk.imports.views")

app_name = "imports"
urlpatterns = [
    path("imports/", views.imports, name="imports"),
    path("imports/new/", views.create_import, name="create_import"),
    path("imports/empty/<slug:what>.csv", views.empty_file, name="empty_file"),
    path("imports/<int:pk>/", views.one_import, name="import"),
    path("imports/<int:pk>/approve/", views.approve_import, name="approve_import"),
    path("imports/<int:pk>/revert/", views.revert_import, name="revert_import"),
    path("imports/<int:pk>/stop/", views.stop_import, name="stop_import"),
    path("imports/<int:pk>/resume/", views.resume_import, name="resume_import"),
    path("imports/<int:pk>/forget/", views.discard_import, name="discard_import"),
    path("imports/<int:pk>/problems.csv", views.import_problems, name="import_problems"),
    path("imports/<int:pk>/<slug:file>-bad.csv", views.import_bad_rows, name="import_bad_rows"),
]
