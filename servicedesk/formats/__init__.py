"""How days and times are written, by language: Django reads these (its FORMAT_MODULE_PATH)."""
