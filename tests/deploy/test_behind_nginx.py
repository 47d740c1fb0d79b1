"""The desk as it is reached for real: nginx with the example site, over TLS, in front of gunicorn."""

from __future__ import annotations

import hashlib
import json
import subprocess
import sys
import time
import warnings
from collections.abc import Iterator

import pytest
import requests

from tests.deploy.site import HOST, Site, serving, site_in
from tests.deploy.visitor import Visitor
from tests.schedules.installation import ROOT, Installation, free_port

pytestmark = pytest.mark.long

PASSWORD = "a porch with four panels"
GUNICORN = (sys.executable, "-m", "gunicorn", "--config", "servicedesk/deploy/gunicorn.conf.py")


SET_UP = f"""
import django; django.setup()
from django.core.management import call_command
from django.utils import timezone
from servicedesk.accounts.models import Role
from servicedesk.accounts.operations import add_person
call_command('collectstatic', interactive=False, verbosity=0)
add_person('ada', name='Ada', role=Role.OWNER, password={PASSWORD!r}, by=None, at=timezone.now())
"""


@pytest.fixture(scope="module")
def installation(tmp_path_factory: pytest.TempPathFactory) -> Iterator[tuple[Installation, Site]]:
    """A desk behind nginx, with the settings of docs/operate.md."""
    folder, port = tmp_path_factory.mktemp("desk"), free_port()
    settings = {
        "ALLOWED_HOSTS": f"{HOST},127.0.0.1",
        "HTTPS": "on",
        "PROXIES": "1",
        "LISTEN": f"127.0.0.1:{port}",
        "WEB_CONCURRENCY": "1",
        "LOG_FORMAT": "json",
        "DJANGO_SETTINGS_MODULE": "servicedesk.settings",
    }
    installation = Installation(folder, settings)
    (folder / "nginx").mkdir()
    site = site_in(folder / "nginx", upstream=port)
    installation.make_tables()
    done = subprocess.run(
        [sys.executable, "-c", SET_UP],
        cwd=ROOT,
        env=installation.environment,
        capture_output=True,
        text=True,
        timeout=600,
    )
    assert done.returncode == 0, done.stderr
    with installation.running(*GUNICORN, "servicedesk.wsgi", ready="Booting worker"), serving(site):
        yield installation, site


def visitor(site: Site, *, comes_from: str = "127.0.0.1") -> Visitor:
    """Somebody who reaches the desk through nginx."""
    return Visitor(
        f"https://127.0.0.1:{site.https}", host=HOST, comes_from=comes_from, trusts=str(site.certificate)
    )


def test_signing_in_over_https_gives_secure_cookies_and_hsts(installation: tuple[Installation, Site]) -> None:
    somebody = visitor(installation[1])
    answer = somebody.sign_in("ada", PASSWORD)
    assert (answer.status_code, answer.headers["Location"]) == (302, "/")
    given = {cookie.name: cookie for cookie in answer.cookies}
    assert {"sessionid", "csrftoken"} <= set(given)
    assert all(cookie.secure for cookie in given.values())
    home = somebody.see("/")
    assert home.status_code == 200
    assert "Ada" in home.text
    seconds, *others = home.headers["Strict-Transport-Security"].split("; ")
    assert int(seconds.removeprefix("max-age=")) >= 31536000  # what preload lists ask for
    assert "includeSubDomains" in others
    assert home.headers["X-Request-ID"] in installation[0].log()  # the number nginx gave is in the desk's log


def test_plain_http_leads_to_https(installation: tuple[Installation, Site]) -> None:
    answer = requests.get(
        f"http://127.0.0.1:{installation[1].http}/sign-in/?next=/week/",
        headers={"Host": HOST},
        allow_redirects=False,
        timeout=20,
    )
    assert (answer.status_code, answer.headers["Location"]) == (301, f"https://{HOST}/sign-in/?next=/week/")


def test_the_throttle_sees_the_address_of_who_signs_in(installation: tuple[Installation, Site]) -> None:
    somebody = visitor(installation[1], comes_from="127.0.0.7")
    page = somebody.sign_in("ada", "wrong", headers={"X-Forwarded-For": "192.0.2.9"})
    assert page.status_code == 200
    digests = {digest for (digest,) in installation[0].ask("SELECT digest FROM accounts_failedsignin")}

    hour = int(time.time()) // 3600  # one may have struck meanwhile

    def digests_of(address: str) -> set[str]:
        names = (
            f"tests-only\n\n{address}\n{each}" for each in (hour, hour - 1)
        )  # it may have struck meanwhile
        return {hashlib.sha256(name.encode()).hexdigest() for name in names}

    assert digests_of("127.0.0.7") & digests
    assert not digests_of("192.0.2.9") & digests  # what a stranger says of himself
    assert not digests_of("127.0.0.1") & digests  # nginx itself


def test_only_sending_passwords_is_slowed_down_by_nginx(installation: tuple[Installation, Site]) -> None:
    somebody = visitor(installation[1], comes_from="127.0.0.8")
    assert {somebody.see("/sign-in/").status_code for _ in range(50)} == {200}
    began = time.monotonic()
    answers = [somebody.post(somebody.base + "/sign-in/", data={}, timeout=60).status_code for _ in range(40)]
    allowed = 21 + (time.monotonic() - began) / 2  # the first, 20 more at once, and one each two seconds
    assert answers[:21] == [403] * 21  # no form was opened for them
    assert 429 in answers
    assert answers.count(403) <= allowed + 1


def test_a_body_too_long_is_refused(installation: tuple[Installation, Site]) -> None:
    somebody = visitor(installation[1])
    for path, by_the_desk in (("/field/photos/", False), ("/imports/new/", True)):
        with warnings.catch_warnings():
            warnings.simplefilter("ignore")
            answer = somebody.post(
                somebody.base + path, data=b"x" * (31 * 1024**2), allow_redirects=False, timeout=60
            )
        assert (path, answer.status_code) == (path, 413)
        # Files for an import get through nginx; the desk takes so much only from who may bring files in.
        assert ("the most that is taken here" in answer.text) == by_the_desk


def test_a_file_with_a_hashed_name_is_kept_by_user_sessions(installation: tuple[Installation, Site]) -> None:
    (sheet,) = (installation[0].folder / "static").glob("desk.*.css")
    answer = visitor(installation[1]).see(f"/static/{sheet.name}")
    assert answer.status_code == 200
    assert "immutable" in answer.headers["Cache-Control"]


def test_no_log_holds_a_secret_or_an_address(installation: tuple[Installation, Site]) -> None:
    server_itself, site = installation
    assert visitor(site, comes_from="127.0.0.7").see("/calendar/s3cr3tl1nk.ics").status_code == 404
    nginx = "".join(path.read_text() for path in site.folder.glob("*.log"))
    written = server_itself.log()
    for secret in ("s3cr3tl1nk", "127.0.0.7"):
        assert secret not in written + nginx
    lines = [json.loads(line) for line in written.splitlines()]
    assert {line["logger"] for line in lines} >= {"gunicorn.error", "servicedesk.requests"}
