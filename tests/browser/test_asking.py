"""Asking customers by mail in a real browser, to the mail that goes out."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from django.contrib.auth.models import Group
from django.utils import timezone
from playwright.sync_api import Page, expect
from pytest_django import Settings

from schedules.models import Notification
from schedules.notifications.deliver import send_due_notifications
from schedules.plans.weeks import monday_of
from servicedesk.accounts.models import Role, User
from tests.browser.acts import PASSWORD, overflow, sign_in, violations
from tests.factories import CustomerFactory, OwnershipFactory, SiteFactory, UserFactory, VisitFactory

pytestmark = [pytest.mark.browser, pytest.mark.django_db(transaction=True)]


def test_the_ticked_are_asked_and_nobody_else(
    page: Page, live_server: Any, axe_source: str, tmp_path: Path, settings: Settings
) -> None:
    settings.EMAIL_BACKEND = "django.core.mail.backends.filebased.EmailBackend"
    settings.EMAIL_FILE_PATH = str(tmp_path)
    sol: User = UserFactory(username="sol", name="Sol Example")
    sol.set_password(PASSWORD)
    sol.save()
    for role in (Role.SCHEDULER, Role.TECHNICIAN):
        sol.groups.add(Group.objects.get_or_create(name=role.value)[0])
    monday = monday_of(timezone.localdate()) + timedelta(days=7)
    start = timezone.localtime().replace(hour=9, minute=0, second=0, microsecond=0)
    start += monday - start.date()
    for number, email in enumerate(["ida@customer.example", "bo@customer.example", ""]):
        site = SiteFactory(address=f"{number} Example Lane")
        OwnershipFactory(site=site, customer=CustomerFactory(name=f"Testa {number}", email=email))
        VisitFactory(site=site, starts_at=start + timedelta(hours=2 * number)).technicians.add(sol)

    sign_in(page, live_server.url, "sol")
    page.goto(f"{live_server.url}/week/?week={monday}")
    page.get_by_role("link", name="E-mail customers to confirm").click()
    expect(page.get_by_role("heading", level=1)).to_have_text("E-mail customers to confirm")
    expect(page.get_by_role("checkbox")).to_have_count(2)
    expect(page.get_by_text("Dear Testa 0")).to_be_visible()
    expect(page.get_by_text("no mail address: telephone")).to_be_visible()
    assert overflow(page) <= 0
    assert violations(page, axe_source) == []
    assert not Notification.objects.exists()

    for box in page.get_by_role("checkbox").all():
        expect(box).to_be_checked()
    page.get_by_role("checkbox", name="0 Example Lane").uncheck()
    page.get_by_role("button", name="Send").click()
    expect(page.get_by_role("status").first).to_have_text("1 e-mail queued.")
    send_due_notifications(at=timezone.now())
    [sent] = tmp_path.glob("*.log")
    assert "To: bo@customer.example" in sent.read_text()
    assert "ida@customer.example" not in sent.read_text()
    assert Notification.objects.get().stage == "sent"
