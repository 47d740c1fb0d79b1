"""Somebody at a browser or a phone: signs in over HTTP and sends forms and records, with the CSRF token."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any

import requests

PASSWORD = "a long porch password"
PATIENCE = 60


@dataclass(frozen=True)
class Heard:
    """What came back: a status, where it leads, and the page; status 0 where nothing came."""

    status: int
    location: str = ""
    text: str = ""

    @property
    def acknowledged(self) -> bool:
        """Whether the desk said that it is stored: a redirect after a form, or 200 to a phone."""
        return self.status == 200 or (self.status == 302 and "/sign-in/" not in self.location)

    @property
    def refused(self) -> bool:
        """Whether the desk said that nothing is stored: its no, or a full disk."""
        return (
            400 <= self.status < 500 or self.status == 507 or (self.status == 302 and not self.acknowledged)
        )


NOTHING = Heard(0)


class Person:
    """One signed-in person; may be used from several threads, as a browser with two tabs."""

    def __init__(self, address: str, username: str) -> None:
        self.address, self.username = address, username
        self.cookies: dict[str, str] = {}

    def sign_in(self) -> None:
        """Sign in with name and password."""
        with requests.Session() as session:
            session.get(f"{self.address}/sign-in/", timeout=PATIENCE)
            entries = {
                "username": self.username,
                "password": PASSWORD,
                "csrfmiddlewaretoken": session.cookies["csrftoken"],
            }
            answer = session.post(
                f"{self.address}/sign-in/", entries, timeout=PATIENCE, allow_redirects=False
            )
            assert answer.status_code == 302, (answer.status_code, answer.text[:400])
            self.cookies = session.cookies.get_dict()

    def post(self, path: str, data: dict[str, Any], *, files: Any = None) -> Heard:
        """Send a form."""
        return self._send(path, data={**data, "csrfmiddlewaretoken": self.cookies["csrftoken"]}, files=files)

    def send(self, path: str, record: dict[str, Any]) -> Heard:
        """Send a record as a phone does."""
        headers = {"X-CSRFToken": self.cookies["csrftoken"], "Content-Type": "application/json"}
        return self._send(path, data=json.dumps(record), headers=headers)

    def look(self, path: str) -> str:
        """Read a page; nothing where none came."""
        try:
            answer = requests.get(f"{self.address}{path}", cookies=self.cookies, timeout=PATIENCE)
        except requests.RequestException:
            return ""
        return answer.text if answer.ok else ""

    def _send(self, path: str, **what: Any) -> Heard:
        try:
            answer = requests.post(
                f"{self.address}{path}",
                cookies=self.cookies,
                timeout=PATIENCE,
                allow_redirects=False,
                **what,
            )
        except requests.RequestException:
            return NOTHING
        return Heard(answer.status_code, answer.headers.get("Location", ""), answer.text)
