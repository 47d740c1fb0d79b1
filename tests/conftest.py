"""What every test can ask for."""

from __future__ import annotations

import re
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

from servicedesk.accounts.models import Role, User
from tests.demo_company import demo as demo
from tests.demo_company import demo_company as demo_company
from tests.demo_company import demo_copy as demo_copy
from tests.demo_company import doors as doors
from tests.factories import UserFactory
from tests.kept_values import forget_all
from tests.log_names import names_in, watched_logs
from tests.tables import extensions_first, note_all_migrations


def pytest_configure() -> None:
    """Tests keep their files away from real ones, and SQLite in a real file, where writers really meet."""
    folder = Path(tempfile.mkdtemp(prefix="sashkeep-test-"))
    settings.STATIC_ROOT = folder / "static"
    settings.STATIC_ROOT.mkdir()
    settings.INCOMING_DIR = folder / "incoming"
    settings.PHOTO_DIR = folder / "photos"
    settings.FIGURES_DIR = folder / "figures"
    backend = "django.core.cache.backends.filebased.FileBasedCache"
    settings.CACHES["figures"] = {"BACKEND": backend, "LOCATION": str(settings.FIGURES_DIR)}
    if connection.vendor == "sqlite":
        connection.settings_dict["TEST"]["NAME"] = str(folder / "test.sqlite3")
    settings.STORAGES["staticfiles"]["BACKEND"] = "django.contrib.staticfiles.storage.StaticFilesStorage"
    settings.WHITENOISE_USE_FINDERS = True
    hypothesis.settings.register_profile("suite", deadline=None)  # a busy machine is no fault of the code
    hypothesis.settings.load_profile("suite")
    settings.PASSWORD_HASHERS = ["django.contrib.auth.hashers.MD5PasswordHasher"]


@pytest.fixture(scope="session")
def django_db_modify_db_settings(django_db_modify_db_settings: None) -> Iterator[None]:
    """Have the tables made as the models say: migrating takes twenty times as long."""
    connection.settings_dict["TEST"]["MIGRATE"] = False
    with extensions_first():
        yield


@pytest.fixture(scope="session")
def django_db_setup(django_db_setup: None, django_db_blocker: Any) -> Iterator[None]:
    """Make the database; at its end, end and name sessions that a test left, or it could not be dropped."""
    with django_db_blocker.unblock():
        note_all_migrations()
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


TAKE_LONG = ("long", "browser", "broker", "each_database")


def pytest_collection_modifyitems(config: pytest.Config, items: list[pytest.Item]) -> None:
    """Leave out tests that only mean something on the other database, and begin with files that take long.

    Where the suite runs on PostgreSQL, also those that come out as they did on SQLite: what touches no
    database of the suite, what takes long, and what drives a browser, for whom a page is the same whatever
    stores its records.
    Django's client opens every page and sends every form on both (`test_pages.py`, `test_junk.py`,
    `faults/test_twice.py`), real servers work on both (`faults/test_short.py`), and so does one browser
    (`browser/test_journey.py`).
    """
    other = "postgres" if connection.vendor == "sqlite" else "sqlite"
    both = other == "postgres" or config.getoption("--on-every-database")
    quick = config.getoption("--quick")
    out = [
        item
        for item in items
        if item.get_closest_marker(other)
        or not (both or _differs_by_database(item))
        or (quick and _touches_database(item))
    ]
    if out:
        config.hook.pytest_deselected(items=out)
        left_out = set(out)
        items[:] = [item for item in items if item not in left_out]
    long_files = {item.path for item in items if any(map(item.get_closest_marker, TAKE_LONG))}
    items.sort(key=lambda item: item.path not in long_files)  # else one process would be left with them


def pytest_addoption(parser: pytest.Parser) -> None:
    """Ask, on PostgreSQL, also for tests that come out there as on SQLite."""
    parser.addoption("--on-every-database", action="store_true", default=False)
    parser.addoption("--quick", action="store_true", default=False, help="only what touches no database")


def _differs_by_database(item: pytest.Item) -> bool:
    if any(item.get_closest_marker(mark) for mark in ("postgres", "each_database")):
        return True
    return _touches_database(item) and not any(item.get_closest_marker(mark) for mark in ("browser", "long"))


def _touches_database(item: pytest.Item) -> bool:
    fixtures = {"db", "transactional_db", "live_server", "demo"} & set(getattr(item, "fixturenames", ()))
    return bool(fixtures) or item.get_closest_marker("django_db") is not None


def _deleting(truncate: str) -> str:
    """Write a TRUNCATE as DELETEs, a hundred times as fast where tables hold a few rows.

    The table that triggers of the others write to comes last.
    """
    assert "RESTART IDENTITY" not in truncate, "deleting rows does not begin to count anew"
    tables = sorted(re.findall(r'"(\w+)"', truncate), key=lambda name: name == "core_tableversion")
    return "; ".join(f'DELETE FROM "{name}"' for name in tables)  # noqa: S608 - our own tables


@pytest.fixture(scope="session", autouse=True)
def _history_can_be_emptied_between_tests() -> Iterator[None]:
    """Let Django empty the history after tests that store for good: the database refuses it to everybody."""
    operations = type(connection.ops)
    flush = operations.execute_sql_flush

    def without_rules(self: Any, sql_list: list[str]) -> None:
        with connection.cursor() as cursor:
            if connection.vendor == "postgresql":
                names = ("core_change", "core_changedfield", "core_erasure")
                before = [f"ALTER TABLE {name} DISABLE TRIGGER USER" for name in names]
                after = [f"ALTER TABLE {name} ENABLE TRIGGER USER" for name in names]
                sql_list = [*map(_deleting, sql_list), "SET CONSTRAINTS ALL IMMEDIATE"]
            else:
                cursor.execute(
                    "SELECT name, sql FROM sqlite_master WHERE type = 'trigger'"
                    " AND tbl_name IN ('core_change', 'core_changedfield', 'core_erasure')"
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
