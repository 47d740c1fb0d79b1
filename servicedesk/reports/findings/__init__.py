"""Findings and the failure log."""
