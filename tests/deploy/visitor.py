"""Somebody at a browser, over a real connection: keeps cookies, fills in forms, and comes from an address."""

from __future__ import annotations

import re
from typing import Any

import requests
from requests.adapters import HTTPAdapter

TOKEN = re.compile(r'name="csrfmiddlewaretoken" value="([^"]+)"')
IDEMPOTENCY_KEY = re.compile(r'name="idempotency_key" value="([^"]+)"')


class From(HTTPAdapter):
    """Connections that set out from one address of this machine."""

    def __init__(self, address: str) -> None:
        self.address = address
        super().__init__()

    def init_poolmanager(self, *args: Any, **kwargs: Any) -> None:
        super().init_poolmanager(*args, source_address=(self.address, 0), **kwargs)


class Visitor(requests.Session):
    """A browser that reaches a desk at an address of this machine under the name it is known by."""

    def __init__(
        self, base: str, *, host: str, comes_from: str = "127.0.0.1", trusts: str | None = None
    ) -> None:
        super().__init__()
        self.base, self.trust_env = base, False
        self.headers.update({"Host": host, "Referer": f"https://{host}/", "Origin": f"https://{host}"})
        self.verify = trusts or True
        for scheme in ("http://", "https://"):
            self.mount(scheme, From(comes_from))

    def request(self, *args: Any, **kwargs: Any) -> requests.Response:
        """Ask; where a test speaks http to a desk that believes in https, keep its cookies all the same."""
        answer = super().request(*args, **kwargs)
        for cookie in self.cookies:
            cookie.secure = self.base.startswith("https:")
        return answer

    def see(self, path: str, **options: Any) -> requests.Response:
        """Open a page, without following where it leads."""
        return self.get(self.base + path, allow_redirects=False, timeout=60, **options)

    def fill_in(self, path: str, fields: dict[str, str], **options: Any) -> requests.Response:
        """Open the page of a form, fill the form in and send it."""
        page = self.see(path).text
        hidden = {"csrfmiddlewaretoken": TOKEN.search(page), "idempotency_key": IDEMPOTENCY_KEY.search(page)}
        data = {name: match[1] for name, match in hidden.items() if match} | fields
        return self.post(self.base + path, data=data, allow_redirects=False, timeout=60, **options)

    def sign_in(self, username: str, password: str, **options: Any) -> requests.Response:
        """Sign in."""
        return self.fill_in("/sign-in/", {"username": username, "password": password}, **options)
