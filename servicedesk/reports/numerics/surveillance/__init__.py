"""Flags for groups that stand out, and how often they are raised by chance."""
