"""Counts in words: singular and plural.

This module imports no Django.
"""

from __future__ import annotations


def count(number: float, one: str, many: str = "") -> str:
    """Number with its noun: 1 task, 3 tasks, 0 entries."""
    shown = f"{number:,.1f}".removesuffix(".0")
    return f"{shown} {one if shown == '1' else many or f'{one}s'}"


def counted(number: int, noun: str, plural: str = "") -> str:
    """Number with its noun, and "no" for zero: 1 failure, 3 failures, no failures."""
    return count(number, noun, plural) if number else f"no {plural or noun + 's'}"


def sentence(words: str) -> str:
    """Text ended with one full stop."""
    words = words.rstrip()
    return words if words.endswith(("!", "?", "…")) else f"{words.rstrip('. ')}."


def every(number: int, one: str) -> str:
    """Interval in words: every month, every 6 months."""
    return f"every {one}" if number == 1 else f"every {count(number, one)}"
