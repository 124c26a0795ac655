"""Is there a shift register in the dump, where does it show, and where does it run on?"""
