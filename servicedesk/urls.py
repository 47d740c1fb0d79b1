"""Root URLconf."""

from __future__ import annotations

from django.urls import URLPattern, URLResolver, include, path

urlpatterns: list[URLPattern | URLResolver] = [
    path("", include("servicedesk.accounts.urls")),
    path("", include("servicedesk.office.urls")),
    path("", include("servicedesk.portal.urls")),
    path("", include("servicedesk.imports.urls")),
    path("", include("servicedesk.privacy.urls")),
    path("", include("units.urls")),
    path("", include("schedules.urls")),
    path("field/", include("servicedesk.field.urls")),
    path("calls/", include("servicedesk.calls.urls")),
    path("figures/", include("servicedesk.reports.urls")),
]

handler500 = "servicedesk.error_pages.something_broke"
