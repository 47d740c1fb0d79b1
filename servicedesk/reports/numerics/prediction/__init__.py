"""What is to come: counts ahead, late records, replacement policies, likely modes."""
