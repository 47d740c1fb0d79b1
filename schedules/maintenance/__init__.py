"""Maintenance rules, when parts need it next, and the work that is due."""
