"""Prediction: forecast counts, reporting delays, maintenance policies, likely failure modes."""
