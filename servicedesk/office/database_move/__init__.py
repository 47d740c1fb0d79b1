"""Moving a desk from its SQLite file to a PostgreSQL database: whole and compared, or not at all."""

from .steps import Moved, move_desk

__all__ = ["Moved", "move_desk"]
