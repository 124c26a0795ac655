"""Which page has which keystream, and what are keystreams that follow no rule?"""
