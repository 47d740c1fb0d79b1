"""What every test can ask for."""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path

import hypothesis
import pytest
from django.conf import settings
from django.contrib.auth.models import Group
from django.core.cache import cache
from django.db import connection
from django.test import Client

from servicedesk.people.models import Role, User
from tests.factories import UserFactory


def pytest_configure() -> None:
    """Tests keep their files away from real ones, and SQLite in a real file, where writers really meet."""
    folder = Path(tempfile.mkdtemp(prefix="sashkeep-test-"))
    settings.STATIC_ROOT = folder / "static"
    settings.STATIC_ROOT.mkdir()
    settings.INCOMING_DIR = folder / "incoming"
    settings.PHOTO_DIR = folder / "photos"
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(folder / "test.sqlite3")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    settings.WHITENOISE_USE_FINDERS = True
    hypothesis.settings.register_profile("suite", deadline=None)  # a busy machine is no fault of the code
    hypothesis.settings.load_profile("suite")
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests that only mean something on the other database."""
    other = "postgres" if connection.vendor == "sqlite" else "sqlite"
    out = [item for item in items if item.get_closest_marker(other)]
    if out:
        config.hook.pytest_deselected(items=out)
        items[:] = [item for item in items if item not in out]


@pytest.fixture(autouse=True)
def _nothing_kept() -> None:
    """Keep no figure of another test: its records are gone without a trace."""
    cache.clear()


@pytest.fixture
def user_with(db: None) -> Callable[[Role], User]:
    """Make somebody with a role."""

    def make(role: Role) -> User:
        user = UserFactory()
        user.groups.add(Group.objects.get_or_create(name=role.value)[0])
        return user

    return make


@pytest.fixture
def technician(user_with: Callable[[Role], User]) -> User:
    """A technician."""
    return user_with(Role.TECHNICIAN)


@pytest.fixture
def scheduler(user_with: Callable[[Role], User]) -> User:
    """A scheduler."""
    return user_with(Role.SCHEDULER)


@pytest.fixture
def owner(user_with: Callable[[Role], User]) -> User:
    """An owner."""
    return user_with(Role.OWNER)


@pytest.fixture
def as_technician(technician: User) -> Client:
    """A browser in which a technician is signed in."""
    client = Client()
    client.force_login(technician)
    return client


@pytest.fixture
def as_scheduler(scheduler: User) -> Client:
    """A browser in which a scheduler is signed in."""
    client = Client()
    client.force_login(scheduler)
    return client


@pytest.fixture
def as_owner(owner: User) -> Client:
    """A browser in which an owner is signed in."""
    client = Client()
    client.force_login(owner)
    return client
