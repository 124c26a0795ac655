"""From the raw read of a flash chip to the customer's files, with the evidence on the table."""

__version__ = "0.1.0"
