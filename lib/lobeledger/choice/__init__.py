"""Which cam: cost, chance of a loss, run-in, the decision, what would change it, what is at stake."""
