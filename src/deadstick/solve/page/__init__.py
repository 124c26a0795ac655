"""From the first codeword to the whole page: layout and code, and the order in which all that is tried."""
