"""Command that ends MFA, for the one owner whose phone is lost."""

from __future__ import annotations

from argparse import ArgumentParser
from typing import Any

from django.core.management.base import BaseCommand, CommandError
from django.utils import timezone

from servicedesk.accounts.models import User
from servicedesk.accounts.operations import end_mfa


class Command(BaseCommand):
    """End the MFA of one user."""

    help = "Ask somebody for no code any more when they sign in; other owners can do it on the page People."

    def add_arguments(self, parser: ArgumentParser) -> None:
        parser.add_argument("username", help="name to sign in with")

    def handle(self, *args: Any, **options: Any) -> None:
        user = User.objects.filter(username=options["username"]).first()
        if user is None:
            raise CommandError(f"Nobody signs in as {options['username']}. Names mind capital letters.")
        end_mfa(user, by=None, at=timezone.now())
        self.stdout.write(f"{user.username} signs in without a code.")
