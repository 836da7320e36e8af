"""The shop's own book: entries, the file they stand in, and wear over the hours."""
