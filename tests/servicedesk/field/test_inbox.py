"""What phones send: each record once, junk told, nothing of others."""

from __future__ import annotations

import gzip
import json
from collections.abc import Callable
from datetime import timedelta
from io import BytesIO
from pathlib import Path
from typing import Any
from uuid import uuid4

import pytest
from django.core.files.uploadedfile import SimpleUploadedFile
from django.test import Client
from django.utils import timezone
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from PIL import Image

from schedules.models import DayWeather, Notification
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Call, Finding, Inspection, PhoneRecord, Photo, Work
from servicedesk.calls.operations import log_call
from servicedesk.calls.thumbnails import make_thumbnails
from servicedesk.core.models import Change
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    FailureModeFactory,
    InstalledPartFactory,
    TaskFactory,
    UnitFactory,
    VisitFactory,
)
from tests.schedules.planned_visits import told as words_of
from units.models import FailureMode, Unit

pytestmark = pytest.mark.django_db


@pytest.fixture
def unit() -> Unit:
    """A unit with a track and a mode it can have."""
    made: Unit = UnitFactory(panels=3)
    InstalledPartFactory(unit=made, component_type=ComponentTypeFactory(kind="track"))
    FailureModeFactory(kind="track", name="binds", code="TRK-01", spares="glide, brush")
    return made


def record(at: Unit, kind: str = "finding", **body: Any) -> dict[str, Any]:
    """Make a record as a phone does."""
    today = str(timezone.localdate())
    usual: dict[str, Any] = {"unit": at.pk, "found_on": today, "done_on": today}
    if kind == "finding":
        usual |= {"mode": FailureMode.objects.get(code="TRK-01").pk, "severity": "hinders", "panel": 2}
    return {
        "key": str(uuid4()),
        "kind": kind,
        "made_at": timezone.now().isoformat(),
        "body": {**usual, **body},
    }


def send(client: Client, payload: Any) -> Any:
    """Send a record to the inbox."""
    body = payload if isinstance(payload, bytes) else json.dumps(payload)
    return client.post("/field/inbox/", body, content_type="application/json")


def test_the_same_record_gets_the_same_answer_and_makes_one_finding(
    as_technician: Client, unit: Unit
) -> None:
    payload = record(unit, works=["adjusted"], note="squeaks")
    first, again = send(as_technician, payload), send(as_technician, payload)
    assert (first.status_code, again.status_code) == (200, 200)
    assert first.json() == again.json() == {"state": "received", "words": f"binds at unit {unit.code}"}
    finding = Finding.objects.get()
    assert (finding.note, finding.works.get().kind) == ("squeaks", "adjusted")
    assert Change.objects.about(finding)[0].source == "phone"


def test_another_body_under_the_same_key_is_refused(as_technician: Client, unit: Unit) -> None:
    payload = record(unit)
    send(as_technician, payload)
    other = send(as_technician, {**payload, "body": {**payload["body"], "panel": 3}})
    assert other.status_code == 422
    assert "other contents" in other.json()["words"]
    assert Finding.objects.count() == 1


def test_somebody_elses_key_tells_nothing(
    as_technician: Client, unit: Unit, user_with: Callable[[Role], User]
) -> None:
    payload = record(unit)
    send(as_technician, payload)
    other = Client()
    other.force_login(user_with(Role.TECHNICIAN))
    assert "binds" not in send(other, payload).content.decode()


def test_nobody_is_told_in_json_not_led_to_a_page(client: Client, unit: Unit) -> None:
    assert send(client, record(unit)).status_code == 401
    assert client.get("/field/token/").status_code == 401
    assert client.post("/field/photos/").status_code == 401
    assert send(client, record(unit)).json()["words"] == "Sign in to send what is on this phone."


def test_an_account_that_was_switched_off_is_told_so_and_not_to_sign_in(
    as_technician: Client, technician: User, unit: Unit
) -> None:
    technician.is_active = False
    technician.save()
    for answer in (
        as_technician.get("/field/token/"),
        send(as_technician, record(unit)),
        as_technician.post("/field/photos/", {"key": str(uuid4())}),
    ):
        assert answer.status_code == 403
        assert answer.json()["state"] == "no access"
        assert "switched off" in answer.json()["words"]
    assert not PhoneRecord.objects.exists()


def test_who_is_no_technician_any_more_is_told_so(
    as_technician: Client, technician: User, unit: Unit
) -> None:
    technician.groups.clear()
    answer = as_technician.get("/field/token/")
    assert (answer.status_code, answer.json()["state"]) == (403, "no access")
    assert "may not send records" in answer.json()["words"]


@pytest.mark.parametrize(
    ("kind", "changes", "words"),
    [
        ("finding", {"mode": 999_999}, "valid choice"),
        ("finding", {"mode": None}, "Choose what is wrong"),
        ("finding", {"unit": 999_999}, "not here any more"),
        ("finding", {"unit": None}, "says no unit"),
        ("finding", {"unit": True}, "says no unit"),
        ("finding", {"panel": 9}, "valid choice"),
        ("finding", {"severity": "danger"}, "make it safe"),
        ("finding", {"works": ["danced"]}, "not a valid choice"),
        ("fine", {"unit": None, "site": 999_999}, "not here any more"),
        ("work", {"work": ""}, "what was done"),
        ("work", {"work": "cleaned", "installed_part": 999_999}, "not in this unit"),
        ("work", {"work": "replaced"}, "how many pieces"),
        ("work", {"work": "replaced", "extent": "set"}, "what was put in"),
        ("care", {"tasks": []}, "which tasks"),
        ("care", {"tasks": [999_999]}, "not of this unit"),
        ("finish", {"visit": 999_999}, "not in the schedule"),
    ],
)
def test_what_can_not_be_taken_says_why_and_stores_nothing(
    as_technician: Client, unit: Unit, kind: str, changes: dict[str, Any], words: str
) -> None:
    answer = send(as_technician, record(unit, kind, **changes))
    assert answer.status_code == 422
    assert answer.json()["state"] == "needs answer"
    assert words.lower() in answer.json()["words"].lower()
    assert not PhoneRecord.objects.exists()
    assert not Finding.objects.exists()
    assert not Work.objects.exists()


@pytest.mark.parametrize(
    "payload",
    [
        b"",
        b"{",
        b"[]",
        b"null",
        b'{"key": 5}',
        b"\xff\xfe",
        b'{"key": "x", "kind": "finding"}',
        b"[" * 50_000,
    ],
)
def test_what_is_no_record_is_said_so(as_technician: Client, payload: bytes) -> None:
    answer = send(as_technician, payload)
    assert answer.status_code == 400
    assert answer.json()["state"] == "unreadable"


JUNK = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(), inner, max_size=3),
    max_leaves=6,
)
NAMES = [
    "unit",
    "site",
    "visit",
    "call",
    "mode",
    "panel",
    "corner",
    "severity",
    "found_on",
    "works",
    "installed_part",
    "note",
]


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(["finding", "fine", "work", "other"]),
    st.dictionaries(st.sampled_from(NAMES), JUNK, max_size=6),
)
def test_junk_never_breaks_anything(as_technician: Client, kind: str, body: dict[str, Any]) -> None:
    payload = {"key": str(uuid4()), "kind": kind, "made_at": timezone.now().isoformat(), "body": body}
    assert send(as_technician, payload).status_code in {400, 422}


def test_the_same_fault_lately_comes_back_with_a_choice(as_technician: Client, unit: Unit) -> None:
    send(as_technician, record(unit))
    question = send(as_technician, payload := record(unit))
    assert question.status_code == 422
    assert question.json()["field"] == "same_as"
    values = [value for value, _ in question.json()["choices"]]
    assert values[-1] == "new"
    payload["body"]["same_as"] = values[0]
    assert send(as_technician, payload).status_code == 200
    assert Finding.objects.order_by("-pk")[0].repeat


def test_a_visit_cancelled_meanwhile_is_no_reason_to_lose_it(
    as_technician: Client, as_scheduler: Client, unit: Unit
) -> None:
    visit = VisitFactory(site=unit.site, state="cancelled")
    assert send(as_technician, record(unit, visit=visit.pk)).status_code == 200
    home = words_of(as_scheduler.get("/").content)
    assert "Recorded on a visit that was canceled meanwhile" in home
    as_scheduler.post(f"/phone-records/{PhoneRecord.objects.get().pk}/seen/")
    assert "cancelled meanwhile" not in words_of(as_scheduler.get("/").content)


def test_a_danger_is_told_to_schedulers_at_once(
    as_technician: Client, as_scheduler: Client, scheduler: User, unit: Unit
) -> None:
    answer = send(as_technician, record(unit, severity="danger", made_safe_how="Panel taken out"))
    assert answer.status_code == 200
    assert Notification.objects.get().kind == "alarm"
    assert "What made it safe: Panel taken out" in words_of(as_scheduler.get("/").content)


@pytest.mark.parametrize("names_call", [True, False])
def test_a_danger_made_safe_at_the_porch_is_made_safe_for_everybody(
    as_technician: Client, as_scheduler: Client, as_owner: Client, unit: Unit, names_call: bool
) -> None:
    """The phone may say the call or not; the same again changes nothing."""
    new = Call(site=unit.site, unit=unit, symptom="falls_out", urgency="")
    call = log_call(new, answers={}, by=None, at=timezone.now())
    clients = (as_technician, as_scheduler, as_owner)
    assert all("MAKE SAFE: " in words_of(client.get("/").content) for client in clients)
    body = {"severity": "danger", "made_safe_how": "Panel taken out"}
    sent = record(unit, call=call.pk if names_call else None, **body)
    assert [send(as_technician, sent).status_code for _ in range(2)] == [200, 200]
    call = Call.objects.get(pk=call.pk)
    assert (call.danger_stands, call.urgency) == (False, "this_week")
    assert call.safety_answers.get(answer="yes").made_safe_how == "Panel taken out"
    assert not any("MAKE SAFE" in words_of(client.get("/").content) for client in clients)


def test_fine_and_work_are_taken_too(as_technician: Client, unit: Unit) -> None:
    assert send(as_technician, record(unit, "fine")).status_code == 200
    assert Inspection.objects.get().outcome == "fine"
    part = unit.installed_parts.get()
    assert (
        send(as_technician, record(unit, "work", work="cleaned", installed_part=part.pk)).status_code == 200
    )
    assert Work.objects.get().installed_part == part
    site = send(as_technician, record(unit, "fine", unit=None, site=unit.site_id))
    assert site.json()["words"] == "1 unit inspected, no faults"


def photo_file() -> SimpleUploadedFile:
    """Give a small photo."""
    content = BytesIO()
    Image.new("RGB", (80, 60), "tan").save(content, "JPEG")
    return SimpleUploadedFile("p.jpg", content.getvalue(), "image/jpeg")


def test_a_photo_follows_its_record_once(as_technician: Client, unit: Unit) -> None:
    payload, key = record(unit), str(uuid4())
    early = as_technician.post(
        "/field/photos/", {"key": key, "record": payload["key"], "photo": photo_file()}
    )
    assert early.status_code == 409
    send(as_technician, payload)
    for _ in range(2):
        answer = as_technician.post(
            "/field/photos/", {"key": key, "record": payload["key"], "photo": photo_file()}
        )
        assert answer.status_code == 200
    assert Photo.objects.get().finding == Finding.objects.get()
    bad = SimpleUploadedFile("p.jpg", b"no photo", "image/jpeg")
    wrong = as_technician.post(
        "/field/photos/", {"key": str(uuid4()), "record": payload["key"], "photo": bad}
    )
    assert wrong.status_code == 422
    assert as_technician.post("/field/photos/", {"key": "x"}).status_code == 400
    assert as_technician.post("/field/photos/", {"key": str(uuid4())}).status_code == 400


def test_a_photo_goes_to_the_finding_it_was_taken_for(as_technician: Client, unit: Unit) -> None:
    mine = record(unit)
    other = record(unit, mode=FailureModeFactory(kind="track", name="rattles", code="TRK-02").pk)
    for payload in (mine, other):
        assert send(as_technician, payload).json()["state"] == "received"
    for payload in (other, mine):
        as_technician.post(
            "/field/photos/", {"key": str(uuid4()), "record": payload["key"], "photo": photo_file()}
        )
    modes = Photo.objects.order_by("pk").values_list("finding__mode__code", flat=True)
    assert list(modes) == ["TRK-02", "TRK-01"]


def test_today_says_what_to_know_and_what_to_have_aboard(
    technician: User, as_technician: Client, unit: Unit
) -> None:
    now = timezone.now()
    visit = VisitFactory(site=unit.site, starts_at=now, ends_at=now + timedelta(hours=1))
    visit.technicians.add(technician)
    task = TaskFactory(unit=unit, state="in-process", origin="call")
    visit.visit_tasks.create(task=task)
    call = CallFactory(site=unit.site, unit=unit, task=task, symptom="stiff", words="sticks at noon")
    page = words_of(as_technician.get("/field/").content)
    assert "sticks at noon" in page
    assert "Bring on the van:</strong> brush, glide" in page
    assert f"/field/stops/{visit.pk}/" in page
    stop = words_of(as_technician.get(f"/field/stops/{visit.pk}/").content)
    assert "Likely:</strong> binds (100 %; bring glide, brush)" in stop
    shown = words_of(as_technician.get(f"/field/units/{unit.pk}/").content)
    assert f'data-call="{call.pk}"' in shown
    assert f'data-visit="{visit.pk}"' in shown


def test_the_script_of_the_phone_is_looked_for_each_time(client: Client) -> None:
    answer = client.get("/field/sw.js")
    assert answer["Content-Type"].startswith("text/javascript")
    assert answer["Cache-Control"] == "no-cache"
    assert client.get("/field/manifest.webmanifest").json()["scope"] == "/field/"


def test_the_heat_of_the_day_is_told_where_it_is_known(as_technician: Client) -> None:
    # OSHA's bands: below 91 low, 91 to 103 moderate, 103 to 115 high, above very high.
    for heat, words in ((80, ""), (95, "moderate"), (110, "high:"), (120, "very high")):
        DayWeather.objects.update_or_create(on=timezone.localdate(), defaults={"heat_index_f": heat})
        page = words_of(as_technician.get("/field/").content)
        assert (words in page) if words else ("Heat index" not in page)


def test_what_failed_before_is_marked_on_the_drawing(as_technician: Client, unit: Unit) -> None:
    send(as_technician, record(unit))
    page = as_technician.get(f"/field/units/{unit.pk}/").content.decode()
    assert 'class="mark"' in page
    assert "binds" in page


def test_small_pictures_are_made_in_the_background(as_technician: Client, unit: Unit) -> None:
    payload = record(unit)
    send(as_technician, payload)
    content = BytesIO()
    Image.new("RGB", (1600, 900), "tan").save(content, "JPEG")
    file = SimpleUploadedFile("p.jpg", content.getvalue(), "image/jpeg")
    as_technician.post("/field/photos/", {"key": str(uuid4()), "record": payload["key"], "photo": file})
    photo = Photo.objects.get()
    whole = as_technician.get(f"/calls/photos/{photo.pk}/?small").content
    assert make_thumbnails() == 1
    assert make_thumbnails() == 0
    small = as_technician.get(f"/calls/photos/{photo.pk}/?small").content
    with Image.open(BytesIO(small)) as image:
        assert image.size == (320, 180)
    assert len(small) < len(whole)
    assert f"/calls/photos/{photo.pk}/" in as_technician.get(f"/units/{unit.pk}/").content.decode()


def test_lubricating_is_offered_only_where_it_fits(as_technician: Client, unit: Unit) -> None:
    page = as_technician.get(f"/field/units/{unit.pk}/").content.decode()
    assert 'value="lubricated"' in page
    liner = UnitFactory()
    InstalledPartFactory(unit=liner, component_type=ComponentTypeFactory(kind="track", name="flexible liner"))
    assert 'value="lubricated"' not in as_technician.get(f"/field/units/{liner.pk}/").content.decode()


def test_the_scripts_are_small(client: Client) -> None:
    scripts = [path.read_bytes() for path in Path("servicedesk/static/field").glob("*.js")]
    sent = [*scripts, client.get("/field/sw.js").content]
    assert sum(len(gzip.compress(script)) for script in sent) <= 40_000
