"""Comparison of two types of part, and verdicts on clear differences."""
