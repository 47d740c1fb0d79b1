"""What our SQLite can do beyond what Django asks of it."""

from __future__ import annotations

from django.db.backends.sqlite3 import features


class DatabaseFeatures(features.DatabaseFeatures):
    """Django's, with lists of keys looked up as lists.

    Django reads the targets of many foreign keys at once by `(id) IN ((1), (2), …)`, and where it holds a
    database unable to do so, by `id = 1 OR id = 2 …`, of which SQLite takes no more than a thousand. It holds
    SQLite unable because of keys of several columns, of which we have none.
    """

    supports_tuple_lookups = True
