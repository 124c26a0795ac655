"""Blind inference: one module per question, each answering with ranked hypotheses and evidence."""
