"""Volumes, live and deleted files, content checks, and the state of every file."""
