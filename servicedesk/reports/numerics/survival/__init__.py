"""Survival analysis: survival curves, recurrent events, parametric lifetimes, trends."""
