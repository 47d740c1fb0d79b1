"""Forecast of the next twelve months."""
