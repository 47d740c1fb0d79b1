"""Django's SQLite backend, able to rebuild tables that triggers on other tables refer to."""
