"""Django's SQLite backend, able to rebuild tables that rules of other tables look at."""
