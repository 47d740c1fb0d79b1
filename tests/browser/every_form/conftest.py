"""One desk and one browser for all tests of forms."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Playwright

from tests.browser.every_form.stand import Stand, standing


@pytest.fixture(scope="session")
def one_stand(
    django_db_setup: None, playwright: Playwright, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Stand]:
    """The desk, nginx and the browser, started once."""
    with standing(tmp_path_factory.mktemp("stand"), playwright=playwright) as running:
        yield running


@pytest.fixture
def stand(one_stand: Stand, transactional_db: None) -> Stand:
    """The desk with somebody of each role."""
    one_stand.add_people()
    return one_stand
