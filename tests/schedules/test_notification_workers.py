"""Letters under faults: real workers, a real broker and a real mail server; nothing lost, nothing doubled."""

from __future__ import annotations

import signal
import sys
import time
from collections import Counter
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.schedules.installation import Installation, free_port, redis, until
from tests.schedules.mail_server import MailServer, mail_server
from tests.schedules.test_workers import WORKER, celery, port_of

VISITS = """
from datetime import timedelta
from django.utils import timezone
from tests.factories import CustomerFactory, OwnershipFactory, SiteFactory, UserFactory, VisitFactory
from uuid import uuid4
person = UserFactory(username=uuid4().hex)
for number in range({number}):
    mark = uuid4().hex
    site = SiteFactory(code=mark)
    OwnershipFactory(site=site, customer=CustomerFactory(email=mark + '@customer.example'))
    begins = timezone.now() + timedelta(days=9, hours=number)
    visit = VisitFactory(site=site, state='confirmed', starts_at=begins)
    visit.technicians.add(person)
"""


@pytest.fixture
def post() -> Iterator[MailServer]:
    """A mail server."""
    with mail_server() as server:
        yield server


def installation_of(folder: Path, post: MailServer, **more: str) -> Installation:
    """Give a desk that sends through a mail server, with some agreed visits."""
    settings = {
        "DJANGO_SETTINGS_MODULE": "tests.schedules.fast_post",
        "EMAIL_URL": f"smtp://127.0.0.1:{post.port}",
        "MAIL_FROM_ADDRESS": "desk@company.example",
    }
    installation = Installation(folder, {**settings, **more})
    installation.make_tables()
    return installation


def stages(installation: Installation) -> Counter[Any]:
    """Count the letters of a desk by what became of them."""
    return Counter(stage for (stage,) in installation.ask("SELECT stage FROM schedules_notification"))


@pytest.mark.broker
def test_a_worker_killed_between_sending_and_marking_doubles_at_most_one(
    tmp_path: Path, post: MailServer
) -> None:
    installation = installation_of(tmp_path, post, REDIS_URL=f"redis://127.0.0.1:{free_port()}/0")
    installation.script(VISITS.format(number=6))
    beat = celery("beat", "--loglevel", "INFO", "--schedule", str(installation.folder / "beat"))
    with (
        redis(installation.folder, port_of(installation)),
        installation.running(*beat, ready="beat: Starting"),
    ):
        post.slow_after = 3  # the fourth mail is taken, and its answer kept back
        with installation.running(*WORKER, ready="ready.") as worker:
            until(lambda: len(post.mails) == 4, explain=installation.log)
            worker.send_signal(signal.SIGKILL)
            worker.wait(timeout=20)
        post.slow_after = None
        assert stages(installation)["sending"] >= 1
        # Nobody waits for a lease in a test: it is over now.
        installation.script(
            "from schedules.models import Notification\nfrom datetime import timedelta\n"
            "from django.utils import timezone\n"
            "Notification.objects.filter(stage='sending').update(lease_until=timezone.now() - timedelta(1))"
        )
        with installation.running(*WORKER, ready="ready."):
            until(lambda: stages(installation) == {"sent": 6}, explain=installation.log)
            time.sleep(2)
    times = Counter(post.message_ids)
    assert len(times) == 6
    assert sorted(times.values()) == [1, 1, 1, 1, 1, 2]


@pytest.mark.broker
def test_two_beats_two_workers_and_a_broker_that_comes_back_empty_send_each_once(
    tmp_path: Path, post: MailServer
) -> None:
    installation = installation_of(tmp_path, post, REDIS_URL=f"redis://127.0.0.1:{free_port()}/0")
    beats = [
        celery("beat", "--loglevel", "INFO", "--schedule", str(installation.folder / name), "--pidfile=")
        for name in ("one", "two")
    ]
    with (
        redis(installation.folder, port_of(installation)) as broker,
        installation.running(*WORKER, "-n", "one@%h", ready="ready."),
        installation.running(*WORKER, "-n", "two@%h", ready="ready."),
        installation.running(*beats[0], ready="beat: Starting"),
        installation.running(*beats[1], ready="beat: Starting"),
    ):
        installation.script(VISITS.format(number=30))
        until(lambda: len(post.mails) >= 5, explain=installation.log)
        broker.terminate()
        broker.wait(timeout=20)
        installation.script(VISITS.format(number=5))
        with redis(installation.folder, port_of(installation)):
            until(lambda: stages(installation) == {"sent": 35}, explain=installation.log)
    assert len(post.mails) == len(set(post.message_ids)) == 35


@pytest.mark.long
def test_without_a_broker_the_clock_sends_each_once(tmp_path: Path, post: MailServer) -> None:
    installation = installation_of(tmp_path, post)
    installation.script(VISITS.format(number=4))
    clock = (sys.executable, "manage.py", "clock")
    with installation.running(*clock, ready="") as one, installation.running(*clock, ready="") as two:
        until(lambda: stages(installation) == {"sent": 4}, explain=installation.log)
        one.send_signal(signal.SIGKILL)
        installation.script(VISITS.format(number=3))
        until(lambda: stages(installation) == {"sent": 7}, explain=installation.log)
        assert two.poll() is None
    assert len(post.mails) == len(set(post.message_ids)) == 7
