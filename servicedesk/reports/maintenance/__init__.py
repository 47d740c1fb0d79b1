"""How often maintenance is worth its while."""
