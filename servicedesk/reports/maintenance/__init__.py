"""Maintenance intervals: failures by time since maintenance, and the interval of the least cost."""
