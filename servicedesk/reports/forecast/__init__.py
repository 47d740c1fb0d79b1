"""What the next twelve months will take."""
