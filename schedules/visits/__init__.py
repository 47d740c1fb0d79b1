"""Visits: planned, moved, finished; who works when."""
