"""Command that adds a user, such as the first owner of a new installation."""

from __future__ import annotations

import getpass
import sys
from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from servicedesk.accounts.models import Role
from servicedesk.accounts.operations import add_person
from servicedesk.core.rules.refusals import RuleViolation


class Command(BaseCommand):
    """Add a user with a role; the password is prompted for, or read from the standard input."""

    help = (
        "Create an account, such as that of the first owner of a new installation. Asks for the "
        "password twice; where "
        "nobody sits at the keyboard, the first line of the standard input is taken."
    )

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", help="name to sign in with")
        parser.add_argument("--name", help="full name (the name to sign in with, if left out)")
        parser.add_argument("--role", choices=[role.value for role in Role], default=Role.OWNER.value)

    def handle(self, *args: Any, **options: Any) -> None:
        username: str = options["username"]
        role = Role(options["role"])
        try:
            add_person(
                username,
                name=options["name"] or username,
                role=role,
                password=_password(),
                by=None,
                at=timezone.now(),
            )
        except RuleViolation as error:
            raise CommandError(f"Nobody was added. {error}") from error
        self.stdout.write(f"{username} can sign in now, as {role.label.lower()}.")


def _password() -> str:
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\r\n")
    first = getpass.getpass("Password: ")
    if getpass.getpass("The same again: ") != first:
        raise CommandError("The two passwords differ, so nobody was added. Try again.")
    return first
