"""Which metadata bytes are the version of a block, and how do versions follow each other?"""
