"""Lots and types that stand out."""
