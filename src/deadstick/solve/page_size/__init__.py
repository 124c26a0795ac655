"""Which page sizes and periods of keystreams does the dump suggest, before any code is known?"""
