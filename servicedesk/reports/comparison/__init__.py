"""Two types of part held against each other, and when their difference is clear."""
