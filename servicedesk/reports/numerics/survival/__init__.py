"""Times to events: survival, recurrence, parametric lifetimes, trends."""
