"""Surveillance: flags for groups that fail too often, CUSUM charts, and false-alarm rates."""
