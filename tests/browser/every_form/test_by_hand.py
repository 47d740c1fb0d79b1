"""Forms that need more than one record before them, and buttons beside the one that stores."""

from __future__ import annotations

from datetime import timedelta

import pytest
from django.urls import reverse
from django.utils import timezone

from schedules.models import NotificationText, Visit
from schedules.plans.weeks import monday_of
from tests.browser.every_form.stand import DESK, PHONE, Stand
from tests.schedules.weeks_of_work import plan_week, proposals, site_at, technician, work_at

pytestmark = pytest.mark.browser


@pytest.mark.parametrize("width", [DESK, PHONE], ids=["desk", "phone"])
def test_a_proposed_visit_is_moved_in_the_rounds(stand: Stand, width: tuple[int, int]) -> None:
    technician()
    monday = monday_of(timezone.localdate()) + timedelta(days=7)
    for number in range(3):
        work_at(site_at(number), due_on=monday)
    plan_week(monday, at=timezone.now())
    visit = proposals()[0]
    with stand.window("scheduler", width=width) as window:
        window.open(reverse("schedules:move_visit", args=[visit.pk]))
        window.page.locator("label.choice").last.click()
        window.page.get_by_role("button", name="Move").click()
        window.page.wait_for_url("**/week/**")
        assert [row for row in window.answers if row[2] >= 400] == []
    assert Visit.objects.get(pk=visit.pk).starts_at != visit.starts_at


def test_the_words_of_a_notification_are_looked_at_before_they_are_stored(stand: Stand) -> None:
    with stand.window("owner") as window:
        window.open(reverse("schedules:change_notification_text", args=["ahead"]))
        window.page.locator("textarea").fill("We come with four panels.")
        window.page.locator("main form button:not([name=store])").first.click()
        window.page.get_by_text("We come with four panels.").last.wait_for()
        assert [row for row in window.answers if row[2] >= 400] == []
    assert not NotificationText.objects.exists()
