"""Maintenance rules, next dues of parts, and due work."""
