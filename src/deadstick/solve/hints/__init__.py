"""What somebody knows before the search: hints and partial recipes, read, and held against what was found."""
