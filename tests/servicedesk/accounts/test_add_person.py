"""The first owner of a new desk comes in by the command line."""

from __future__ import annotations

import io

import pytest
from django.core.management import CommandError, call_command
from django.test import Client

from servicedesk.accounts.models import Role, User
from servicedesk.core.models import Change

pytestmark = pytest.mark.django_db


def add(monkeypatch: pytest.MonkeyPatch, password: str, *arguments: str) -> str:
    """Run the command with a password on the standard input."""
    output = io.StringIO()
    monkeypatch.setattr("sys.stdin", io.StringIO(f"{password}\n"))
    call_command("add_person", *arguments, stdout=output)
    return output.getvalue()


def test_the_first_owner_signs_in_and_can_open_the_figures(monkeypatch: pytest.MonkeyPatch) -> None:
    output = add(monkeypatch, "window-light-9", "ida", "--name", "Ida Probe")
    assert output == "ida can sign in now, as owner.\n"
    client = Client()
    assert client.login(username="ida", password="window-light-9")
    assert client.get("/figures/").status_code == 200
    ida = User.objects.get()
    assert (ida.name, ida.role) == ("Ida Probe", Role.OWNER)
    assert Change.objects.about(ida).for_page()[0].action == "added as owner"


def test_another_role_can_be_given(monkeypatch: pytest.MonkeyPatch) -> None:
    add(monkeypatch, "window-light-9", "teo", "--role", "technician")
    assert User.objects.get().role == Role.TECHNICIAN


@pytest.mark.parametrize(("password", "because"), [("", "too short"), ("short", "too short")])
def test_a_weak_password_adds_nobody_and_says_why(
    monkeypatch: pytest.MonkeyPatch, password: str, because: str
) -> None:
    with pytest.raises(CommandError, match=f"Nobody was added.*{because}"):
        add(monkeypatch, password, "ida")
    assert not User.objects.exists()


def test_a_name_that_is_taken_is_said(monkeypatch: pytest.MonkeyPatch) -> None:
    add(monkeypatch, "window-light-9", "ida")
    with pytest.raises(CommandError, match=r"Nobody was added.*already exists"):
        add(monkeypatch, "window-light-9", "ida")
    assert User.objects.count() == 1


def test_at_a_keyboard_the_password_is_asked_for_twice(monkeypatch: pytest.MonkeyPatch) -> None:
    answers = iter(["window-light-9", "window-light-8"])
    monkeypatch.setattr("sys.stdin.isatty", lambda: True, raising=False)
    monkeypatch.setattr("getpass.getpass", lambda prompt: next(answers))
    with pytest.raises(CommandError, match="differ"):
        call_command("add_person", "ida")
    assert not User.objects.exists()
