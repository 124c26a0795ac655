"""The dead board: a circuit, its readings, the odds of each fault, and the test that tells most for its cost."""
