"""Mathematics alone: GF(2^m), polynomials over GF(2), BCH, LFSR, CRC. Knows no flash."""
