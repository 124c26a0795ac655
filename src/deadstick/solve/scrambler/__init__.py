"""What did the scrambler add, before or after the code, and to which bytes of a page?"""
