"""NAND and controllers for the demo and for tests; nothing else uses it."""
