"""Somebody with a browser or a phone: signs in for real, opens pages by kind, sends forms and records."""

from __future__ import annotations

import json
import os
import random
import re
import time
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any
from urllib.parse import urlencode
from uuid import uuid4

from locust import FastHttpUser

COMPANY: dict[str, Any] = json.loads(Path(os.environ["LOAD_COMPANY"]).read_text())
PACE = float(os.environ["LOAD_PACE"])
PHOTO = Path(os.environ["LOAD_PHOTO"]).read_bytes()
WAITING, STILL_WAITING = 202, 204
"""What a page of figures answers while they are being worked out, and what it is told when it asks again."""
FORM = {"Content-Type": "application/x-www-form-urlencoded"}


def wait(minutes: float) -> None:
    """Let some minutes of the day pass, at the pace of the run and never twice the same."""
    time.sleep(60 * minutes / PACE * random.uniform(0.5, 1.5))


def values(page: str, name: str) -> list[str]:
    """Give the values that a page's fields of some name hold."""
    tags = re.findall(rf'<input[^>]*\bname="{name}"[^>]*>', page)
    return [match[1] for tag in tags if (match := re.search(r'\bvalue="([^"]*)"', tag))]


def ticked(page: str, name: str) -> list[str]:
    """Give the values of the fields of some name that are ticked."""
    tags = re.findall(rf'<input[^>]*\bname="{name}"[^>]*\bchecked\b[^>]*>', page)
    return [match[1] for tag in tags if (match := re.search(r'\bvalue="([^"]*)"', tag))]


def links(page: str, pattern: str) -> list[str]:
    """Give the addresses on a page that a pattern matches, each once, in order."""
    matches = re.findall(rf'href="({pattern})"', page)
    return [address.replace("&amp;", "&") for address in dict.fromkeys(matches)]


class Person(FastHttpUser):
    """Somebody who signs in when the day begins."""

    abstract = True
    names: Iterator[str]
    network_timeout = 130.0  # as long as the site of nginx that we ship waits for a page
    max_retries = 1  # a kept connection that is found closed is opened anew, as browsers and nginx do

    def on_start(self) -> None:
        """Sign in through the form."""
        self.username = next(self.names)
        page = self.look("sign-in page", "/sign-in/")
        self.fill("sign in", "/sign-in/", page, {"username": self.username, "password": COMPANY["password"]})

    def look(self, kind: str, address: str) -> str:
        """Open a page; anything but the page itself is an error."""
        with self.client.get(address, name=kind, catch_response=True, allow_redirects=False) as answer:
            if answer.status_code == 200:
                answer.success()
            else:
                answer.failure(f"{address} answered {answer.status_code}")
        return answer.text or ""

    def look_patiently(self, kind: str, address: str) -> None:
        """Open a page that may wait for its figures; its time is that until they are there."""
        begun, mark = time.time(), time.perf_counter()
        answer, error = self._asked(f"{kind}: asked", address), None
        while answer.status_code == WAITING:
            time.sleep(3)  # as the page does
            again = links(answer.text, r"[^\"]*[?&;]asked=[^\"]*")[0]
            polled = self._asked("figures asked for again", again, {"HX-Request": "true"})
            if polled.status_code == STILL_WAITING:
                continue
            leads_to = (polled.headers or {}).get("HX-Redirect", "")
            if polled.status_code != 200 or not leads_to:
                answer = polled
                break
            answer = self._asked(f"{kind}: shown", leads_to)
        if answer.status_code != 200:
            error = RuntimeError(f"{address} answered {answer.status_code}")
        self.environment.events.request.fire(
            request_type="GET",
            name=kind,
            response_time=1000 * (time.perf_counter() - mark),
            response_length=0,
            exception=error,
            context={},
            start_time=begun,
        )

    def _asked(self, kind: str, address: str, headers: dict[str, str] | None = None) -> Any:
        with self.client.get(
            address, name=kind, headers=headers or {}, catch_response=True, allow_redirects=False
        ) as answer:
            if answer.status_code in (200, WAITING, STILL_WAITING):
                answer.success()
            else:
                answer.failure(f"{address} answered {answer.status_code}")
        return answer

    def fill(
        self, kind: str, address: str, page: str, data: dict[str, Any], *, may_refuse: bool = False
    ) -> str:
        """Send the form of a page with its tokens; answer where it led ("" where it was refused)."""
        sent = {name: values(page, name)[:1] for name in ("csrfmiddlewaretoken", "idempotency_key")}
        body = urlencode({name: value for name, value in {**sent, **data}.items() if value}, doseq=True)
        fine = (302, 422) if may_refuse else (302,)
        with self.client.post(
            address, data=body, name=kind, headers=FORM, catch_response=True, allow_redirects=False
        ) as answer:
            if answer.status_code in fine:
                answer.success()
            else:
                answer.failure(f"{address} answered {answer.status_code}")
        return (answer.headers or {}).get("Location", "") if answer.status_code == 302 else ""


class Phone(Person):
    """Somebody whose phone sends what it recorded from its outbox, each record with a key of its own."""

    abstract = True

    def token(self) -> str:
        """Ask for a token, as the phone does before it sends."""
        reply = json.loads(self.look("phone's token", "/field/token/") or "{}")
        return str(reply.get("token", ""))

    def record(self, token: str, kind: str, body: dict[str, Any], *, again: bool = False) -> str:
        """Send one record, with an answer to what the desk asks; give its key. ``again`` sends it twice."""
        key = str(uuid4())
        payload = {"key": key, "kind": kind, "made_at": time.strftime("%Y-%m-%dT%H:%M:%SZ", time.gmtime())}
        status, said = self._send(token, {**payload, "body": body})
        if status == 422 and said.get("choices"):
            body = {**body, said["field"]: said["choices"][-1][0]}  # "it is a new fault"
            status, said = self._send(token, {**payload, "body": body}, may_ask=False)
        if again and status == 200:
            twice = self._send(token, {**payload, "body": body}, may_ask=False)
            if twice != (status, said):
                raise RuntimeError(f"the same record again was answered {twice} after {status, said}")
        return key

    def _send(
        self, token: str, payload: dict[str, Any], *, may_ask: bool = True
    ) -> tuple[int, dict[str, Any]]:
        headers = {"X-CSRFToken": token, "Content-Type": "application/json"}
        with self.client.post(
            "/field/inbox/", data=json.dumps(payload), name="inbox", headers=headers, catch_response=True
        ) as answer:
            said = json.loads(answer.text or "{}") if answer.status_code in (200, 422) else {}
            if answer.status_code == 200 or (may_ask and said.get("choices")):
                answer.success()
            else:
                answer.failure(f"{answer.status_code}: {said.get('words', '')}")
        return answer.status_code, said

    def photo(self, token: str, record: str) -> None:
        """Send a photo that belongs to a record."""
        fields = {"key": str(uuid4()), "record": record}
        headers = {"X-CSRFToken": token, "Content-Type": "multipart/form-data; boundary=photo-of-a-porch"}
        with self.client.post(
            "/field/photos/",
            data=_multipart(fields, PHOTO),
            name="photo",
            headers=headers,
            catch_response=True,
        ) as answer:
            if answer.status_code == 200:
                answer.success()
            else:
                answer.failure(f"{answer.status_code}: {answer.text}")


def _multipart(fields: dict[str, str], photo: bytes) -> bytes:
    parts = [
        f'--photo-of-a-porch\r\nContent-Disposition: form-data; name="{name}"\r\n\r\n{value}\r\n'.encode()
        for name, value in fields.items()
    ]
    head = 'Content-Disposition: form-data; name="photo"; filename="photo.jpg"\r\nContent-Type: image/jpeg'
    parts += [f"--photo-of-a-porch\r\n{head}\r\n\r\n".encode(), photo, b"\r\n--photo-of-a-porch--\r\n"]
    return b"".join(parts)


def some(things: Sequence[str], most: int) -> list[str]:
    """Choose a few of some things, at most so many."""
    return random.sample(list(things), min(most, len(things)))
