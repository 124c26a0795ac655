"""Block size and translation, every hypothesis judged by the volumes that it makes."""
