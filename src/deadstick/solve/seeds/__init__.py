"""With which seed does a register start, page by page: from constants, text, metadata, copies, or the code?"""
