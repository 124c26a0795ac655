"""Numbers and versions of blocks under stored keystreams that fall into groups, each with an unknown constant."""
