"""The search for codes that are not binary BCH: Hamming by correlation of bits, Reed-Solomon by roots."""
