"""What physics says of one candidate: figures with low and high, limits, what would help."""
