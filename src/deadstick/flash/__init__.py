"""The chip as read: geometry, ONFI and JEDEC identity, memory-mapped dumps."""
