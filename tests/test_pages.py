"""Every address: who may open it, that it renders with the demo company, and that it is closed by default."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date
from io import BytesIO
from typing import Any

import pytest
from django.core.management import call_command
from django.db import connection, transaction
from django.test import Client
from django.urls import URLPattern, URLResolver, get_resolver, reverse
from django.utils import timezone
from PIL import Image

from schedules.letters.writing import write_due_letters
from servicedesk.calls.models import Call
from servicedesk.calls.operations import add_photo
from servicedesk.office import intake
from servicedesk.people.models import InputFile, Role, User

pytestmark = pytest.mark.django_db

OPEN = {
    "people:sign_in",
    "schedules:feed",
    "schedules:feed_of_due",
    "schedules:feed_of_todos",
    "schedules:wishes",
    "office:customer_visit",
    "field:token",
    "office:label",
    "office:alive",
    "office:ready",
    "field:inbox",
    "field:photos",
    "field:service_worker",
    "field:manifest",
}
"""Addresses that need no sign-in. A calendar link is a secret of its own, the link in a letter is
signed; what a phone's script asks for tells nothing, or answers 401 instead of leading to the sign-in."""

SIGNED_IN = {"people:sign_out", "people:me"}
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


def test_every_address_has_a_name_of_its_own() -> None:
    names = [name for name, _ in addresses()]
    assert len(names) == len(set(names))
    assert not [name for name in names if name.endswith(":None")]


def test_the_addresses_without_sign_in_are_these() -> None:
    open_ones = {
        name for name, pattern in ALL.items() if not getattr(pattern.callback, "login_required", True)
    }
    assert open_ones == OPEN


def test_every_other_address_names_a_role() -> None:
    without = {
        name
        for name, pattern in ALL.items()
        if not hasattr(pattern.callback, "opens_to") and name not in OPEN | SIGNED_IN
    }
    assert without == set()


@pytest.fixture(scope="module")
def demo(django_db_setup: None, django_db_blocker: Any) -> Iterator[dict[str, User]]:
    """The demo company, and somebody of each role."""
    with django_db_blocker.unblock(), transaction.atomic():
        call_command("load_reference", verbosity=0)
        call_command("load_demo", today=date(2026, 11, 25), verbosity=0)
        call_command("watch_lots")
        hand_in_a_bad_file()
        take_a_photo()
        write_due_letters(at=timezone.now())
        connection.check_constraints()  # else every test would check all these rows again at its end
        people = {}
        for role in Role:
            person = User.objects.with_role(role).order_by("pk").first()
            assert person is not None
            people[role.value] = person
        people["none"] = User.objects.create(username="new", name="New")
        yield people
        transaction.set_rollback(True)


def hand_in_a_bad_file() -> None:
    """Bring in a file with a row that can't be applied, so that every page about imports has something."""
    content = BytesIO(b"unit,site,installed_on\nX-1,X,sometime\n")
    files = {InputFile.UNITS: intake.Incoming("units.csv", content)}
    batch = intake.open_batch(files, keep_good=False, care_by="us", by=None, at=timezone.now())
    intake.go_on(batch)


def take_a_photo() -> None:
    """Add a photo to an open call."""
    content = BytesIO()
    Image.new("RGB", (60, 40), "tan").save(content, "PNG")
    call = Call.objects.open().order_by("pk")[0]
    add_photo(call, BytesIO(content.getvalue()), size=content.tell(), by=None, at=timezone.now())


def arguments(pattern: URLPattern, name: str) -> dict[str, Any]:
    """Find a record of the demo company for an address that shows one."""
    from schedules.models import CareRule, Letter, MaintenanceTask, Visit, WeekPlan
    from servicedesk.calls.models import Finding, Photo, SafetyAnswer
    from servicedesk.people.models import Batch
    from servicedesk.reports.models import LotFlag
    from units.models import ComponentType, Customer, Fitment, ObservationPeriod, Unit

    in_place = Unit.objects.in_place().order_by("pk").first()
    visit = Visit.objects.open().order_by("pk").first()
    call = Call.objects.open().order_by("pk").first()
    assert in_place is not None
    assert visit is not None
    assert call is not None
    first = {
        "people": User.objects.order_by("pk").first(),
        "units:fit_part": in_place,
        "units:replace_set": Fitment.objects.in_place().order_by("pk").first(),
        "units:change_panel_share": Fitment.objects.in_place()
        .filter(kind="corner", unit__panels__isnull=False)
        .order_by("pk")
        .first(),
        "units:take_out": Fitment.objects.in_place().order_by("pk").first(),
        "units:stop_watching": ObservationPeriod.objects.order_by("pk").first(),
        "units:customer": Customer.objects.order_by("pk").first(),
        "units:change_customer": Customer.objects.order_by("pk").first(),
        "units:change_site": in_place.site,
        "units:change_owner": in_place.site,
        "units:change_reference": ComponentType.objects.order_by("pk").first(),
        "units": in_place,
        "office:unit_sheet": in_place,
        "office:site_sheet": in_place.site,
        "office:finish_visit": visit,
        "office:new_label": in_place,
        "office": Batch.objects.order_by("-pk").first(),
        "reports": LotFlag.objects.order_by("pk").first(),
        "reports:change_interval": CareRule.objects.order_by("pk").first(),
        "schedules:change_care_rule": CareRule.objects.order_by("pk").first(),
        "schedules:letter": Letter.objects.order_by("pk").first(),
        "schedules:week_progress": WeekPlan.objects.order_by("pk").first(),
        "schedules:move_visit": Visit.objects.filter(planned_by__isnull=False).order_by("pk").first(),
        "schedules:task": MaintenanceTask.objects.open().order_by("pk").first(),
        "schedules": visit,
        "calls": call,
    }
    found: dict[str, Any] = {}
    for key in pattern.pattern.converters:
        if key == "what":
            found[key] = "units" if name == "office:empty_file" else "types"
        elif key == "file":
            found[key] = "units"
        elif key == "code":
            found[key] = "x" * 16
        elif key == "visit_pk":
            found[key] = visit.pk
        elif key == "token":
            found[key] = "x" * 43
        elif key == "customer_pk":
            found[key] = Customer.objects.order_by("pk")[0].pk
        elif key == "kind":
            found[key] = "agreed"
        elif key == "photo_pk":
            found[key] = Photo.objects.get().pk
        elif key == "secret":
            found[key] = "x" * 43
        elif key == "person_pk":
            found[key] = User.objects.with_role(Role.TECHNICIAN).order_by("pk")[0].pk
        elif key == "day":
            found[key] = visit.local_start.date().isoformat()
        elif key in {"site_pk", "site"}:
            found[key] = in_place.site_id
        elif key in {"unit_pk", "unit"}:
            found[key] = in_place.pk
        elif key in {"finding_pk", "finding"}:
            found[key] = Finding.objects.order_by("pk").first().pk  # type: ignore[union-attr]
        elif key in {"answer_pk", "answer"}:
            found[key] = SafetyAnswer.objects.filter(call=call).order_by("pk").first().pk  # type: ignore[union-attr]
        elif key in {"call_pk", "call"}:
            found[key] = call.pk
        elif key in {"task_pk", "task"}:
            found[key] = MaintenanceTask.objects.open().order_by("pk").first().pk  # type: ignore[union-attr]
        else:
            app, _, page = name.partition(":")
            record = first.get(name) or first["schedules:task" if "task" in page else app]
            found[key] = record.pk
    return found


@pytest.mark.parametrize("who", ["nobody", "none", *Role.values])
@pytest.mark.parametrize("name", sorted(ALL))
def test_who_may_open_what(demo: dict[str, User], name: str, who: str) -> None:
    pattern = ALL[name]
    client = Client(raise_request_exception=True)
    if who != "nobody":
        client.force_login(demo[who])
    address = reverse(name, kwargs=arguments(pattern, name))
    answer = client.get(address)
    needs: Role | None = getattr(pattern.callback, "opens_to", None)
    if name in OPEN:
        assert answer.status_code in {200, 302, 401, 404, 405}
    elif who == "nobody":
        assert answer.status_code == 302
        assert answer["Location"].startswith("/sign-in/?next=")
    elif needs is None:
        assert answer.status_code in {200, 405}
    elif demo[who].may_act_as(needs):
        led_on = {302} if name == "schedules:week_progress" else set()  # a piece of a page, for scripts
        assert answer.status_code in {200, 405} | led_on, address
    else:
        assert answer.status_code == 403
