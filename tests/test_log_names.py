"""The suite watches its own logs for people's names (conftest.py); here, that this watch sees them."""

from __future__ import annotations

import logging

import pytest
from django.test import Client

from tests.factories import CustomerFactory, SiteFactory, UserFactory
from tests.log_names import Lines, names_in, watched_logs


@pytest.mark.django_db
def test_names_of_the_factories_are_seen_in_messages_and_tracebacks() -> None:
    customer, user, site = CustomerFactory(), UserFactory(), SiteFactory()
    for text in (customer.name, user.name, site.address):
        assert names_in(f"2026-05-04 something about {text}")
    log = logging.getLogger("a.logger.of.this.test")
    log.propagate = True
    with watched_logs() as lines:
        log.warning("nobody here")
        assert not names_in("\n".join(lines))
    # Not through the loggers: the watch of the suite would see it and fail this very test.
    watch = Lines()
    broken = ValueError(f"no such customer: {customer.name}")
    watch.handle(
        log.makeRecord(log.name, logging.ERROR, __file__, 1, "failed", (), (ValueError, broken, None))
    )
    assert names_in("\n".join(watch.lines))


@pytest.mark.django_db
def test_a_page_that_fails_logs_where_and_not_about_whom(
    as_owner: Client, monkeypatch: pytest.MonkeyPatch
) -> None:
    customer = CustomerFactory()

    def fail(*_: object, **__: object) -> None:
        raise RuntimeError("made to fail")

    monkeypatch.setattr("units.views.operations.change_record", fail)
    as_owner.raise_request_exception = False
    with watched_logs() as lines:
        data = {"name": customer.name, "phone": "", "email": "", "note": ""}
        assert as_owner.post(f"/customers/{customer.pk}/change/", data).status_code == 500
    assert any("made to fail" in line for line in lines)
    assert not names_in("\n".join(lines))
