"""Word sent on after commit: once, only if the change is stored, and never at the cost of the change."""

from __future__ import annotations

import logging
from collections.abc import Callable, Iterator

import pytest
from celery import current_app, shared_task
from django.db import transaction
from pytest_django import DjangoCaptureOnCommitCallbacks

from servicedesk.core.database.on_commit import enqueue_on_commit

heard: list[int] = []


@shared_task(name="tests.hear")
def hear(number: int) -> None:
    """Note that the task ran."""
    heard.append(number)


@pytest.fixture(autouse=True)
def _silence() -> Iterator[None]:
    heard.clear()
    yield
    heard.clear()


@pytest.mark.django_db
def test_a_task_asked_for_twice_in_one_change_runs_once(
    django_capture_on_commit_callbacks: DjangoCaptureOnCommitCallbacks,
) -> None:
    with django_capture_on_commit_callbacks(execute=True):
        for number in (1, 1, 2, 1):
            enqueue_on_commit("tests.hear", number)
        assert heard == []
    assert heard == [1, 2]


@pytest.mark.django_db(transaction=True)
def test_a_change_that_is_taken_back_sends_no_word() -> None:
    with transaction.atomic():
        enqueue_on_commit("tests.hear", 1)
        transaction.set_rollback(True)
    assert heard == []
    with transaction.atomic():
        enqueue_on_commit("tests.hear", 1)
    assert heard == [1]


@pytest.fixture
def no_broker() -> Iterator[Callable[[], None]]:
    """A desk that should reach a broker and can't."""
    conf = current_app.conf
    before = conf.task_always_eager, conf.broker_url
    conf.task_always_eager, conf.broker_url = False, "redis://127.0.0.1:1/0"
    current_app.pool.force_close_all()
    yield lambda: None
    conf.task_always_eager, conf.broker_url = before


@pytest.mark.django_db(transaction=True)
@pytest.mark.usefixtures("no_broker")
def test_a_broker_that_is_away_is_logged_and_the_change_stays(caplog: pytest.LogCaptureFixture) -> None:
    from tests.factories import CustomerFactory
    from units.models import Customer

    with caplog.at_level(logging.WARNING), transaction.atomic():
        CustomerFactory()
        enqueue_on_commit("tests.hear", 1)
    assert Customer.objects.count() == 1
    assert "the clock will catch up" in caplog.text
    assert heard == []
