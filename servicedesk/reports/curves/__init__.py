"""Failures over age: mean cumulative function, survival and fitted lifetimes."""
