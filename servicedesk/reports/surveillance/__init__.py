"""Surveillance of lots and types that fail more often than others."""
