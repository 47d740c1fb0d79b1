"""Counts in words: the one place that knows a singular from a plural.

This module imports no Django.
"""

from __future__ import annotations


def count(number: float, one: str, many: str = "") -> str:
    """Count things in words: 1 task, 3 tasks, 0 entries."""
    shown = f"{number:,.1f}".removesuffix(".0")
    return f"{shown} {one if shown == '1' else many or f'{one}s'}"


def counted(number: int, noun: str, plural: str = "") -> str:
    """Write a count with its noun, where none reads better as a word: 1 failure, 3 failures, no failures."""
    return count(number, noun, plural) if number else f"no {plural or noun + 's'}"


def sentence(words: str) -> str:
    """End words somebody wrote with one full stop, whether they did or not."""
    words = words.rstrip()
    return words if words.endswith(("!", "?", "…")) else f"{words.rstrip('. ')}."


def every(number: int, one: str) -> str:
    """Say how often: every month, every 6 months."""
    return f"every {one}" if number == 1 else f"every {count(number, one)}"
