"""Every address of the desk, which of them need no sign-in, and a record of the demo company for each."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any
from uuid import uuid4

from django.urls import URLPattern, URLResolver, get_resolver, reverse

OPEN = {
    "accounts:sign_in",
    "accounts:code",
    "accounts:welcome",
    "accounts:too_large",
    "schedules:feed",
    "schedules:feed_of_due",
    "schedules:feed_of_todos",
    "portal:email_preference",
    "portal:customer_visit",
    "field:token",
    "portal:label",
    "office:alive",
    "office:ready",
    "field:inbox",
    "field:photos",
    "field:service_worker",
    "field:signed_out",
    "field:manifest",
}
"""Addresses that need no sign-in. A calendar link is a secret of its own, the link in a letter is
signed; what a phone's script asks for tells nothing, or answers 401 instead of leading to the sign-in."""

SIGNED_IN = {
    "accounts:sign_out",
    "accounts:me",
    "accounts:end_user_session",
    "accounts:end_other_user_sessions",
    "accounts:mfa",
    "accounts:no_mfa",
}
"""Addresses open to anybody signed in, whatever their role."""


def addresses() -> Iterator[tuple[str, URLPattern]]:
    """Every named address of the desk."""

    def walk(patterns: list[Any], space: str) -> Iterator[tuple[str, URLPattern]]:
        for pattern in patterns:
            if isinstance(pattern, URLResolver):
                yield from walk(pattern.url_patterns, pattern.namespace or space)
            else:
                yield f"{space}:{pattern.name}", pattern

    yield from walk(get_resolver().url_patterns, "")


ALL = dict(addresses())


Records = dict[str, Any]


def shown_records() -> Records:
    """Find records of the demo company to show: by the name of an address, its app, or an argument."""
    from schedules.models import MaintenanceRule, MaintenanceTask, Notification, Visit, WeekPlan
    from servicedesk.accounts.models import Role, User
    from servicedesk.calls.models import Call, Finding, Photo, SafetyAnswer
    from servicedesk.core.models import Batch
    from servicedesk.reports.models import LotFlag
    from units.models import ComponentType, Customer, InstalledPart, ObservationPeriod, Unit

    in_place = Unit.objects.in_place().order_by("pk").first()
    visit = Visit.objects.open().order_by("pk").first()
    call = Call.objects.open().order_by("pk").first()
    assert in_place is not None
    assert visit is not None
    assert call is not None
    return {
        "accounts": User.objects.order_by("pk").first(),
        "units:fit_part": in_place,
        "units:replace_set": InstalledPart.objects.in_place().order_by("pk").first(),
        "units:change_panel_share": InstalledPart.objects.in_place()
        .filter(kind="corner", unit__panels__isnull=False)
        .order_by("pk")
        .first(),
        "units:take_out": InstalledPart.objects.in_place().order_by("pk").first(),
        "units:end_observation": ObservationPeriod.objects.order_by("pk").first(),
        "privacy:export_data": Customer.objects.order_by("pk").first(),
        "privacy:anonymize_customer": Customer.objects.order_by("pk").first(),
        "units:customer": Customer.objects.order_by("pk").first(),
        "units:change_customer": Customer.objects.order_by("pk").first(),
        "units:change_site": in_place.site,
        "units:change_owner": in_place.site,
        "units:change_reference": ComponentType.objects.order_by("pk").first(),
        "units": in_place,
        "office": visit,
        "office:unit_sheet": in_place,
        "office:site_sheet": in_place.site,
        "portal:new_label": in_place,
        "imports:revert_import": Batch.objects.filter(stage="applied").order_by("pk").first(),
        "imports": Batch.objects.order_by("-pk").first(),
        "reports": LotFlag.objects.order_by("pk").first(),
        "reports:change_interval": MaintenanceRule.objects.order_by("pk").first(),
        "schedules:change_maintenance_rule": MaintenanceRule.objects.order_by("pk").first(),
        "schedules:notification": Notification.objects.order_by("pk").first(),
        "schedules:week_progress": WeekPlan.objects.order_by("pk").first(),
        "schedules:move_visit": Visit.objects.filter(planned_by__isnull=False).order_by("-starts_at").first(),
        "schedules:task": MaintenanceTask.objects.open().order_by("pk").first(),
        "schedules": visit,
        "calls": call,
        "visit_pk": visit,
        "customer_pk": Customer.objects.order_by("pk").first(),
        "photo_pk": Photo.objects.get(),
        "person_pk": User.objects.with_role(Role.TECHNICIAN).order_by("pk").first(),
        "site": in_place.site,
        "unit": in_place,
        "finding": Finding.objects.order_by("pk").first(),
        "answer": SafetyAnswer.objects.filter(call=call).order_by("pk").first(),
        "call": call,
        "task": MaintenanceTask.objects.open().order_by("pk").first(),
    }


def arguments(pattern: URLPattern, name: str, records: Records | None = None) -> dict[str, Any]:
    """Give the arguments of an address that shows one of these records; without any they are looked for."""
    records = records or shown_records()
    words = {
        "what": "units" if name == "imports:empty_file" else "types",
        "file": "units",
        "code": "x" * 16,
        "token": "x" * 43,
        "secret": "x" * 43,
        "mark": uuid4(),
        "kind": "agreed",
        "day": records["schedules"].local_start.date().isoformat(),
    }
    app, _, page = name.partition(":")
    own = records.get(name) or records.get("schedules:task" if "task" in page else app)
    return {
        key: words[key] if key in words else records.get(key, records.get(key.removesuffix("_pk"), own)).pk
        for key in pattern.pattern.converters
    }


def address_of(name: str, records: Records | None = None) -> str:
    """Give an address of this name that shows one of these records; without any they are looked for."""
    return reverse(name, kwargs=arguments(ALL[name], name, records))
