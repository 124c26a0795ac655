"""What a controller did, as data: page layout, code, scrambler, translation; encodes and decodes."""
