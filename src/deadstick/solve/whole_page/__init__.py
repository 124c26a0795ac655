"""The page itself, where several were taken for one, or one codeword of it for all."""
