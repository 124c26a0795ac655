"""Where does the first codeword of a page lie, and over which field? By decoding, or by roots of clean words."""
