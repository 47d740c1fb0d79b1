"""Feature flags of our SQLite backend."""

from __future__ import annotations

from django.db.backends.sqlite3 import features


class DatabaseFeatures(features.DatabaseFeatures):
    """Django's feature flags, with lists of keys looked up as lists.

    Django reads the targets of many foreign keys at once by `(id) IN ((1), (2), …)`, and where it takes a
    database to be unable to do so, by `id = 1 OR id = 2 …`, of which SQLite takes no more than a thousand. It
    takes SQLite to be unable because of keys of several columns, of which we have none.
    """

    supports_tuple_lookups = True
