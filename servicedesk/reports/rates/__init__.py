"""Failure rates by group, rate ratios of two types, and trends with age."""
