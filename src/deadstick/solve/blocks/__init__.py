"""What do metadata say of blocks: how large are they, which bytes number them, which copy of one is newer?"""
