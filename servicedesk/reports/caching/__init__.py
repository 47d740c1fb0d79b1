"""Figures cached by the version of the records, computed in the background, marked while an import runs."""
