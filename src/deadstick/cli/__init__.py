"""The commands: thin, no logic of their own."""
