"""Selections, traits, and the least data for a figure to be shown."""
