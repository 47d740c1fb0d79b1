"""Failure rates by group: query to figure, types held against each other, trends over years."""
