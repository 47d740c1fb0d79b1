"""Numbers of events: rates, their limits, ratios, and what sites have in common."""
