"""Fleets of known truth: how often each sentence of a figure is right."""
