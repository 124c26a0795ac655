"""A recipe applied: corrected pages, the logical-to-physical table, a lazy read-only disk, provenance."""
