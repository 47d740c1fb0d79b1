"""What every test can ask for."""

from __future__ import annotations

import sys
import tempfile
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import hypothesis
import pytest
from django.conf import settings
from django.contrib.auth.models import Group
from django.db import connection
from django.test import Client

from servicedesk.people.models import Role, User
from tests.demo_company import demo as demo
from tests.factories import UserFactory
from tests.kept_values import forget_all
from tests.log_names import names_in, watched_logs


def pytest_configure() -> None:
    """Tests keep their files away from real ones, and SQLite in a real file, where writers really meet."""
    folder = Path(tempfile.mkdtemp(prefix="sashkeep-test-"))
    settings.STATIC_ROOT = folder / "static"
    settings.STATIC_ROOT.mkdir()
    settings.INCOMING_DIR = folder / "incoming"
    settings.PHOTO_DIR = folder / "photos"
    settings.FIGURES_DIR = folder / "figures"
    kept = "django.core.cache.backends.filebased.FileBasedCache"
    settings.CACHES["figures"] = {"BACKEND": kept, "LOCATION": str(settings.FIGURES_DIR)}
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(folder / "test.sqlite3")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    settings.WHITENOISE_USE_FINDERS = True
    hypothesis.settings.register_profile("suite", deadline=None)  # a busy machine is no fault of the code
    hypothesis.settings.load_profile("suite")
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Make the database; at its end, end and name sessions that a test left, or it could not be dropped."""
    yield
    if connection.vendor != "postgresql":
        return
    with django_db_blocker.unblock(), connection.cursor() as cursor:
        cursor.execute(
            "SELECT application_name, state, left(query, 200), pg_terminate_backend(pid)"
            " FROM pg_stat_activity WHERE datname = current_database() AND pid <> pg_backend_pid()"
            " AND backend_type = 'client backend'"
        )
        for left in cursor.fetchall():
            print(f"a session was left: {left}", file=sys.__stderr__)


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests that only mean something on the other database.

    Where the whole suite runs on PostgreSQL, also those that touch no database of the suite: they come out as
    they did on SQLite.
    """
    other = "postgres" if connection.vendor == "sqlite" else "sqlite"
    out = [item for item in items if item.get_closest_marker(other)]
    if other == "sqlite" and config.getoption("--on-every-database") is False:
        out += [item for item in items if item not in out and not _touches_the_database(item)]
    if out:
        config.hook.pytest_deselected(items=out)
        items[:] = [item for item in items if item not in out]


def pytest_addoption(parser: pytest.Parser) -> None:
    """Ask, on PostgreSQL, for the tests that touch no database as well."""
    parser.addoption("--on-every-database", action="store_true", default=False)


def _touches_the_database(item: pytest.Item) -> bool:
    fixtures = {"db", "transactional_db", "live_server", "demo"} & set(getattr(item, "fixturenames", ()))
    return bool(fixtures) or any(
        item.get_closest_marker(mark) for mark in ("django_db", "postgres", "each_database")
    )


@pytest.fixture(scope="session", autouse=True)
def _history_can_be_emptied_between_tests() -> Iterator[None]:
    """Let Django empty the history after tests that store for good: the database refuses it to everybody."""
    operations = type(connection.ops)
    flush = operations.execute_sql_flush

    def without_rules(self: Any, sql_list: list[str]) -> None:
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                names = ("people_change", "people_changedfield", "people_erasure")
                before = [f"ALTER TABLE {name} DISABLE TRIGGER USER" for name in names]
                after = [f"ALTER TABLE {name} ENABLE TRIGGER USER" for name in names]
            else:
                cursor.execute(
                    "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
                    " AND tbl_name IN ('people_change', 'people_changedfield', 'people_erasure')"
                )
                rules = cursor.fetchall()
                before = [f"DROP TRIGGER {name}" for name, _ in rules]
                after = [sql for _, sql in rules]
        flush(self, [*before, *sql_list, *after])

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(operations, "execute_sql_flush", without_rules)
        yield


@pytest.fixture(autouse=True)
def _logs_name_nobody() -> Iterator[None]:
    """Fail whatever test makes the desk log a name, an address or a mail address of its factories."""
    with watched_logs() as lines:
        yield
    assert not names_in("\n".join(lines))


@pytest.fixture(autouse=True)
def _nothing_kept() -> None:
    """Keep no figure of another test: its records are gone without a trace."""
    forget_all()


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
