"""The porch's pages on a phone without signal, each to the record in the database."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from django.utils import timezone
from playwright.sync_api import Page, expect

from schedules.models import MaintenanceTask, Visit, VisitTask
from servicedesk.accounts.models import User
from servicedesk.calls.models import Call, Finding, Inspection, PhoneRecord, SafetyAnswer, Work
from tests.browser.acts import overflow, sign_in, violations
from tests.browser.test_field import hurry, save_finding, waits
from tests.factories import (
    CallFactory,
    ComponentTypeFactory,
    CustomerFactory,
    MaintenanceRuleFactory,
    NextDueFactory,
    OwnershipFactory,
    TaskFactory,
    UnitFactory,
)
from units.models import InstalledPart, Site, Unit

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


@pytest.fixture
def visit(tess: User) -> Visit:
    """The technician's visit of today with three care tasks at one unit, and whose the house is."""
    visit = Visit.objects.get()
    part = InstalledPart.objects.get()
    OwnershipFactory(site=visit.site, customer=CustomerFactory(name="Vesta Probeson", phone="555 0142"))
    Site.objects.update(
        latitude="40.7128", longitude="-74.006", access_notes="Gate on the left, mind the dog."
    )
    for work in ("cleaned", "checked"):
        due = NextDueFactory(
            installed_part=part, rule=MaintenanceRuleFactory(component_type=part.component_type, work=work)
        )
        reason = f"{work} once a year"
        task = TaskFactory(
            unit=part.unit, installed_part=part, next_due=due, work=work, reason=reason, state="in-process"
        )
        visit.visit_tasks.create(task=task)
    return visit


def packed(page: Page, base: str) -> None:
    """Sign in, and wait until all pages of the day are kept; then there is no signal any more."""
    sign_in(page, base, "tess")
    page.goto(f"{base}/field/")
    expect(page.locator("#pack")).to_contain_text("pages kept", timeout=30_000)
    page.context.set_offline(True)


def sent(page: Page, *, number: int = 1) -> None:
    """Look that records wait, let the signal come back and have them sent."""
    expect(page.locator(".said", has_text="Saved on this phone").first).to_be_visible()
    waits(page, number)
    assert PhoneRecord.objects.count() == 0
    page.context.set_offline(False)
    hurry(page)
    waits(page, 0)
    assert PhoneRecord.objects.count() == number


def test_a_visit_is_finished_without_signal_but_for_one_task(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    packed(phone, live_server.url)
    phone.get_by_role("link", name="Start visit").tap()
    phone.get_by_role("link", name="Finish the visit").tap()
    expect(phone.get_by_role("heading", name="Finish the visit")).to_be_visible()
    phone.get_by_label("checked once a year").select_option("part_missing")
    expect(phone.locator("[data-not-done]")).to_have_text("1 not done")
    phone.get_by_role("button", name="Finish the visit").tap()
    assert phone.locator("input[name^=part_]:invalid").count() == 1
    phone.get_by_label("Which part is missing").locator("visible=true").fill("corner key")
    phone.get_by_label("How many pieces").locator("visible=true").fill("2")
    phone.get_by_label("Note").fill("key is with the neighbor")
    phone.get_by_role("button", name="Finish the visit").tap()
    expect(phone.locator(".said", has_text="Saved on this phone").first).to_be_visible()
    phone.goto(f"{live_server.url}/field/")
    expect(phone.locator("ol.stops")).to_contain_text("Finished on this phone, not sent yet.")
    phone.context.set_offline(False)
    hurry(phone)
    waits(phone, 0)
    visit.refresh_from_db()
    assert visit.finished_at is not None
    assert visit.note == "key is with the neighbor"
    assert Work.objects.get().kind == "cleaned"
    entry = VisitTask.objects.get(outcome="not_done")
    assert (entry.why_not, entry.needs) == ("part_missing", "2 × corner key")
    assert MaintenanceTask.objects.filter(state="completed").count() == 2


def test_a_danger_is_made_safe_with_the_visit_without_signal(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    unit = Unit.objects.get()
    task = TaskFactory(unit=unit, origin="call", work="", reason="Customer called", state="in-process")
    visit.visit_tasks.create(task=task)
    call = CallFactory(site=unit.site, unit=unit, task=task, urgency="make_safe", symptom="falls_out")
    for question in SafetyAnswer.Question.values:
        call.safety_answers.create(question=question, answer="yes" if question == "fall_risk" else "no")
    packed(phone, live_server.url)
    expect(phone.locator(".caution", has_text="Danger").first).to_be_visible()
    phone.goto(f"{live_server.url}/field/stops/{visit.pk}/")
    first = phone.locator(".caution").first
    expect(first).to_contain_text("Danger.")
    phone.get_by_role("link", name="Finish the visit").tap()
    phone.get_by_label("What made it safe").fill("opening boarded")
    phone.get_by_role("button", name="Finish the visit").tap()
    sent(phone)
    assert SafetyAnswer.objects.get(question="fall_risk").made_safe_how == "opening boarded"
    assert Call.objects.get().state == "completed"


def test_care_of_a_unit_without_signal(phone: Page, live_server: Any, visit: Visit) -> None:
    packed(phone, live_server.url)
    phone.get_by_role("link", name="Start visit").tap()
    phone.get_by_role("link", name="Work and maintenance").tap()
    phone.get_by_label("checked once a year").uncheck()
    phone.get_by_label("Lubricate the track").uncheck()
    phone.get_by_role("button", name="Mark done").tap()
    sent(phone)
    assert Work.objects.get().kind == "cleaned"
    assert MaintenanceTask.objects.get(state="completed").reason == "cleaned once a year"


def test_a_set_is_replaced_by_another_type_without_signal(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    part = InstalledPart.objects.get()
    other = ComponentTypeFactory(kind=part.kind, name="nylon liner")
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{part.unit_id}/work/")
    phone.get_by_text("replaced", exact=True).tap()
    phone.get_by_text("Whole set", exact=True).tap()
    phone.get_by_role("button", name="Save", exact=True).tap()
    assert phone.locator("select:invalid").count() == 2  # which part, and by what
    phone.get_by_label("On what").select_option(str(part.pk))
    phone.get_by_label("New part", exact=True).select_option(str(other.pk))
    phone.get_by_label("Lot of the new part").fill("L-7")
    phone.get_by_role("button", name="Save", exact=True).tap()
    sent(phone)
    new = InstalledPart.objects.in_place().get()
    assert (new.component_type, new.lot, new.fitted_on) == (other, "L-7", timezone.localdate())
    assert Work.objects.get().whole_set


def test_pieces_replaced_are_counted_without_signal(phone: Page, live_server: Any, visit: Visit) -> None:
    unit = Unit.objects.get()
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{unit.pk}/work/")
    phone.get_by_text("replaced", exact=True).tap()
    phone.get_by_label("Pieces", exact=True).fill("2")
    phone.get_by_role("button", name="Save", exact=True).tap()
    phone.goto(f"{live_server.url}/field/units/{unit.pk}/")
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.get_by_text("replaced", exact=True).tap()
    phone.get_by_label("Pieces replaced").fill("3")
    phone.get_by_role("button", name="Save", exact=True).tap()
    sent(phone, number=2)
    assert sorted(Work.objects.filter(kind="replaced").values_list("pieces", flat=True)) == [2, 3]


def test_nothing_of_the_offline_flow_leads_out_of_the_pack(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    packed(phone, live_server.url)
    unit = Unit.objects.get()
    addresses = ["/field/", f"/field/stops/{visit.pk}/", f"/field/stops/{visit.pk}/finish/"]
    addresses += [f"/field/units/{unit.pk}/", f"/field/units/{unit.pk}/work/"]
    for address in addresses:
        phone.goto(live_server.url + address)
        expect(phone.locator("#outbox")).to_be_attached()
        links = phone.eval_on_selector_all("main a", "links => links.map(link => link.getAttribute('href'))")
        paths = {link for link in links if not link.startswith(("#", "tel:", "geo:", "https://"))}
        assert paths <= {*addresses, "/"}


def test_a_record_of_yesterday_sent_today_counts_for_yesterday(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    packed(phone, live_server.url)
    now = timezone.now()
    phone.context.clock.install(time=now - timedelta(days=1))
    phone.goto(f"{live_server.url}/field/stops/{visit.pk}/")
    phone.get_by_role("button", name="All inspected, no faults").tap()
    waits(phone, 1)
    phone.context.clock.set_system_time(timezone.now())
    phone.goto(f"{live_server.url}/field/")
    phone.context.set_offline(False)
    hurry(phone)
    waits(phone, 0)
    assert Inspection.objects.get().inspected_on == timezone.localdate(now - timedelta(days=1))


@pytest.mark.parametrize("days", [1, -1])
def test_a_phone_a_day_out_stores_for_the_true_day(
    phone: Page, live_server: Any, visit: Visit, days: int
) -> None:
    phone.context.clock.install(time=timezone.now() + timedelta(days=days))
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{Unit.objects.get().pk}/")
    save_finding(phone)
    sent(phone)
    assert Finding.objects.get().found_on == timezone.localdate()
    assert Work.objects.get().done_on == timezone.localdate()


def test_nothing_stays_chosen_for_the_next_finding(phone: Page, live_server: Any, visit: Visit) -> None:
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{Unit.objects.get().pk}/")
    chosen = phone.locator("#picked")
    phone.get_by_role("button", name="Panel 2").tap()
    phone.get_by_role("button", name="Lower left").tap()
    expect(chosen).to_have_text("Panel 2, lower left corner")
    phone.locator("label.choice", has_text="binds").first.tap()
    phone.get_by_role("button", name="Save", exact=True).tap()
    expect(chosen).to_have_text("Nothing chosen yet")
    expect(phone.locator("[aria-pressed=true]")).to_have_count(0)
    phone.locator("label.choice", has_text="worn").first.tap()
    phone.get_by_role("button", name="Save", exact=True).tap()
    sent(phone, number=2)
    places = Finding.objects.order_by("pk").values_list("panel", "corner")
    assert list(places) == [(2, "LL"), (None, "")]


def test_drawing_and_buttons_are_in_step_and_a_second_tap_takes_back(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{Unit.objects.get().pk}/")
    chosen, button = phone.locator("#picked"), phone.get_by_role("button", name="Panel 3")
    panel = phone.locator("svg rect[data-panel='3']:not([data-corner])")
    panel.tap()
    expect(button).to_have_attribute("aria-pressed", "true")
    phone.locator("svg [data-panel='3'][data-corner='LR']").tap()
    expect(chosen).to_have_text("Panel 3, lower right corner")
    expect(phone.get_by_role("button", name="Lower right")).to_have_attribute("aria-pressed", "true")
    phone.locator("svg [data-panel='3'][data-corner='LR']").tap()
    expect(chosen).to_have_text("Panel 3")
    button.tap()
    expect(chosen).to_have_text("Nothing chosen yet")
    phone.get_by_role("button", name="Whole unit").tap()
    expect(chosen).to_have_text("Whole unit")


def test_everything_to_tap_on_the_drawing_is_large_enough_and_on_top(
    phone: Page, live_server: Any, visit: Visit
) -> None:
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{Unit.objects.get().pk}/")
    for number in (1, 2, 3):
        area = phone.locator(f"svg rect[data-panel='{number}']:not([data-corner])")
        area.tap()
        boxes = [area.bounding_box()]
        for corner in ("UL", "UR", "LL", "LR"):
            target = phone.locator(f"svg [data-panel='{number}'][data-corner='{corner}']")
            boxes.append(target.bounding_box())
            assert target.evaluate(
                """(target) => {
                    target.scrollIntoView({ block: "center" });
                    const { x, y, width, height } = target.getBoundingClientRect();
                    return document.elementFromPoint(x + width / 2, y + height / 2) === target;
                }"""
            )
        assert min(min(box["width"], box["height"]) for box in boxes if box) >= 44
        area.tap()
    buttons = [button.bounding_box() for button in phone.locator(".picks button").all()]
    assert min(box["height"] for box in buttons if box) >= 48


def test_a_stop_with_thirty_tasks_shows_who_where_and_the_units_first(
    phone: Page, live_server: Any, visit: Visit, axe_source: str
) -> None:
    for number in range(4):
        unit = UnitFactory(code=f"U-1{number}", site=visit.site, panels=3, place="south wall")
        for _ in range(7):
            visit.visit_tasks.create(task=TaskFactory(unit=unit, state="in-process"))
    packed(phone, live_server.url)
    stop, unit_page = f"/field/stops/{visit.pk}/", f"/field/units/{Unit.objects.order_by('pk')[0].pk}/"
    phone.goto(live_server.url + stop)
    assert phone.get_by_role("link", name="Call 555 0142").get_attribute("href") == "tel:5550142"
    assert "40.712800" in (phone.get_by_role("link", name="Map", exact=True).get_attribute("href") or "")
    units = phone.locator("ul.cards").bounding_box()
    assert units
    assert units["y"] <= 700
    for address in (stop, unit_page, f"{stop}finish/", f"{unit_page}work/"):
        phone.goto(live_server.url + address)
        assert overflow(phone) == 0
        bar = phone.locator(".save-bar")
        for top in (0, 600, 100_000):
            phone.evaluate("top => window.scrollTo(0, top)", top)
            if top == 100_000:
                bar.scroll_into_view_if_needed()
            expect(bar.locator("button, a").last).to_be_in_viewport(ratio=1)
            box = bar.locator("button, a").last.bounding_box()
            assert box
            assert box["height"] >= 48
        assert violations(phone, axe_source) == []


def test_the_bar_never_covers_what_has_the_focus(phone: Page, live_server: Any, visit: Visit) -> None:
    packed(phone, live_server.url)
    phone.goto(f"{live_server.url}/field/units/{Unit.objects.get().pk}/work/")
    phone.get_by_text("replaced", exact=True).tap()
    phone.locator("#main").focus()
    for _ in range(40):
        phone.keyboard.press("Tab")
        covered = phone.evaluate(
            """() => {
                const focused = document.activeElement, bar = document.querySelector(".save-bar");
                if (!focused.closest("form.work") || bar.contains(focused)) return false;
                return focused.getBoundingClientRect().bottom > bar.getBoundingClientRect().top + 1;
            }"""
        )
        assert not covered
