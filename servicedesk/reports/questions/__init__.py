"""What is asked of the records: selections, traits, and when the answer is refused."""
