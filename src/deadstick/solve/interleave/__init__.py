"""How do pages of planes, chips and wide buses follow one another?"""
