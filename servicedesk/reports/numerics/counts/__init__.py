"""Event counts: rates, rate ratios, their limits, and the variance between sites."""
