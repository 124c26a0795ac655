"""Recipes that were solved before: kept, tried first by a fingerprint, and proven like any other."""
