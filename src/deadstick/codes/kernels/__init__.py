"""Compiled inner loops (Numba) of `deadstick.codes`: arrays in, arrays out, no objects, no globals.

Each kernel has a readable twin in `deadstick.codes.reference`, and a property test says that both agree.
"""
