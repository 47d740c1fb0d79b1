"""The people app: who may do what, and who did."""

from __future__ import annotations

from django.apps import AppConfig


class PeopleConfig(AppConfig):
    """Users, roles, history of changes, keys of received records and files."""

    name = "servicedesk.people"
    label = "people"
