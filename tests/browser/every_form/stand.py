"""The desk as it is reached for real, with a browser before it: gunicorn behind the nginx example, over TLS.

The server works on the tests' database, so that a test makes the records and looks at what a form left there.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from email import message_from_bytes, policy
from email.message import EmailMessage
from functools import cache
from pathlib import Path
from typing import Any

from django.conf import settings
from django.contrib.auth.hashers import Argon2PasswordHasher, make_password
from django.contrib.auth.models import Group
from django.test import Client, override_settings
from playwright.sync_api import Browser, BrowserContext, ConsoleMessage, Page, Playwright, Response

from schedules.tasks import send_notifications
from servicedesk.accounts.models import Role, User
from servicedesk.calls.models import Photo
from tests.browser.acts import PASSWORD
from tests.browser.chromium import CHROMIUM, FLAGS
from tests.deploy import site
from tests.factories import UserFactory
from tests.servicedesk import real_server

BASE = f"https://{site.HOST}"
DESK, PHONE = (1280, 900), (360, 740)
TELEPHONE = "555-0100"
SETTINGS = {
    "HTTPS": "on",
    "PROXIES": "1",
    "ALLOWED_HOSTS": f"{site.HOST},127.0.0.1",
    "SITE_URL": BASE,
    "COMPANY_NAME": "Porch Window Works",
    "COMPANY_PHONE": TELEPHONE,
    "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
}


@dataclass
class Stand:
    """A running desk and the browser that reaches it under its public name."""

    browser: Browser
    folder: Path
    people: dict[str, User] = field(default_factory=dict)

    @contextmanager
    def window(self, who: str = "", *, width: tuple[int, int] = DESK, **options: Any) -> Iterator[Window]:
        """Open a browser of somebody's own; whatever it says on its console fails the test."""
        context = self.browser.new_context(
            viewport={"width": width[0], "height": width[1]},
            has_touch=width == PHONE,
            ignore_https_errors=True,  # the certificate is signed by itself
            **options,
        )
        context.set_default_timeout(15_000)
        if who:
            self._let_in(context, self.people[who])
        opened = Window(context.new_page())
        try:
            yield opened
        finally:
            context.close()
        assert opened.errors == []

    def _let_in(self, context: BrowserContext, person: User) -> None:
        """Give a browser the cookie of somebody who signed in."""
        client = Client()
        client.force_login(person)
        value = client.cookies[settings.SESSION_COOKIE_NAME].value
        context.add_cookies(
            [{"name": settings.SESSION_COOKIE_NAME, "value": value, "url": BASE, "secure": True}]
        )

    def send_notifications(self) -> None:
        """Do what the clock of the desk does each minute: send the mail that is due."""
        backend = "django.core.mail.backends.filebased.EmailBackend"
        with override_settings(
            EMAIL_BACKEND=backend, EMAIL_FILE_PATH=str(self.folder / "notifications"), SITE_URL=BASE
        ):
            send_notifications()

    def notifications_to(self, address: str) -> list[EmailMessage]:
        """Read the mail that the desk has sent to somebody."""
        texts = [path.read_bytes() for path in sorted((self.folder / "notifications").iterdir())]
        mails = [message_from_bytes(text, policy=policy.default) for text in texts]
        return [mail for mail in mails if address in str(mail["To"])]

    def photo_path(self, photo: Photo) -> Path:
        """Say where the desk put a photo."""
        return self.folder / "photos" / photo.name[:2] / photo.name

    def add_people(self) -> None:
        """Add somebody of each role, who can sign in at the real desk too."""
        for role in Role:
            person = UserFactory(username=f"the-{role.value}", email=f"{role.value}@company.example")
            person.password = _hashed()
            person.save()
            person.groups.add(Group.objects.get_or_create(name=role.value)[0])
            self.people[role.value] = person


@cache
def _hashed() -> str:
    """Hash the password as the real desk does, once: it takes its time by design."""
    return make_password(PASSWORD, hasher=Argon2PasswordHasher())  # type: ignore[arg-type]  # takes one made, too


class Window:
    """One page of a browser, with what its console said and how each document was answered."""

    def __init__(self, page: Page) -> None:
        self.page = page
        self.errors: list[str] = []
        self.answers: list[tuple[str, str, int]] = []
        page.on("console", self._hear)
        page.on("pageerror", lambda error: self.errors.append(str(error)))
        page.on("response", self._note)

    def open(self, path: str, *, status: int = 200) -> None:
        """Open an address of the desk."""
        answer = self.page.goto(BASE + path)
        assert answer is not None
        assert answer.status == status, f"{path}: {answer.status}"

    @property
    def heading(self) -> str:
        """What the page calls itself."""
        return " ".join(self.page.locator("h1").first.inner_text().split())

    def _hear(self, message: ConsoleMessage) -> None:
        if message.type == "error" and "Failed to load resource" not in message.text:  # told by its status
            self.errors.append(f"{message.text} at {message.location.get('url')}")

    def _note(self, response: Response) -> None:
        if response.request.is_navigation_request():
            self.answers.append((response.request.method, response.url, response.status))
        elif response.status >= 400:
            self.errors.append(f"{response.url}: {response.status}")


@contextmanager
def standing(folder: Path, *, playwright: Playwright) -> Iterator[Stand]:
    """Run the desk, nginx and a browser until the end of the block."""
    (folder / "nginx").mkdir()
    notifications = folder / "notifications"
    notifications.mkdir()
    with real_server.serving(folder, EMAIL_URL=f"filemail://{notifications}", **SETTINGS) as server:
        example = site.site_in(folder / "nginx", upstream=server.port)
        name = f"--host-resolver-rules=MAP {site.HOST}:443 127.0.0.1:{example.https}"
        with site.serving(example):
            browser = playwright.chromium.launch(executable_path=CHROMIUM, args=[*FLAGS, name])
            try:
                yield Stand(browser, folder)
            finally:
                browser.close()
