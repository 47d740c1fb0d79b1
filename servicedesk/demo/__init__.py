"""The demo company: an invented fleet with known true hazards, its records, and its present week."""
