"""What blank pages under one keystream are corrected to, and is therefore wrong in the keystream.

The majority of three pages leaves a bit wrong where two of them have an error in common. After the ECC no page of data
tells, since a keystream that is wrong by a codeword corrects as well. But the blank pages that were voted on do: all of
them are corrected to the wrong bits, instead of to zeros.
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import StoredKeystreams
from deadstick.solve.table_recipes import data_as_read

Bytes = NDArray[np.uint8]

MOST_ONES = 0.05
"""Share of ones in a blank page's data under its keystream: bit errors alone."""
FEWEST_PAGES, MOST_CORRECTED, CLEARLY = 2, 8, 2
"""Blank pages that must be corrected to the same, those that are looked at, and how many more must agree."""


def without_common_errors(recipe: Recipe, raw: Bytes, pages: NDArray[np.int64], numbers: Iterable[int]) -> Recipe:
    """The recipe with keystreams under which blank pages are zeros once they are corrected.

    Args:
        recipe: with a table of keystreams after the ECC, right but for single bits of the data.
        raw: `uint8[pages, page_bytes]`, as read.
        pages: `int64[pages]`, their numbers.
        numbers: which of the keystreams are looked at.

    Returns:
        The recipe, without those of the keystreams that no two blank pages confirm.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams):
        return recipe
    streams = list(scrambler.keystreams.streams)
    under = scrambler.index(pages, recipe.pages_per_block)
    for number in numbers:
        chosen = np.flatnonzero(under == number) if streams[number] else under[:0]
        bare = raw[chosen] ^ np.frombuffer(streams[number], np.uint8) if len(chosen) else raw[:0]
        ones = np.bitwise_count(data_as_read(replace(recipe, scrambler=None), bare)).mean(axis=1)
        blank = chosen[ones < 8 * MOST_ONES][:MOST_CORRECTED]
        streams[number] = _corrected(recipe, raw[blank], pages[blank], streams[number])
    keystreams = StoredKeystreams(tuple(streams))
    return replace(recipe, scrambler=replace(scrambler, keystreams=keystreams))


def _corrected(recipe: Recipe, raw: Bytes, pages: NDArray[np.int64], stream: bytes) -> bytes:
    """A keystream less what blank pages under it are corrected to; empty where too few of them decode."""
    if len(raw) < FEWEST_PAGES:
        return b""
    decoded = recipe.decode(raw, pages)
    # A page with a few bytes of data is nearly blank, too.
    same = Counter(data.tobytes() for data in decoded.data[(decoded.errors >= 0).all(axis=1)])
    common, votes = same.most_common(1)[0] if same else (b"", 0)
    if votes < FEWEST_PAGES or votes < CLEARLY * (sum(same.values()) - votes):
        return b""
    data = np.frombuffer(common, np.uint8)
    both = np.stack([data, np.zeros_like(data)])
    metadata = np.zeros((2, recipe.layout.metadata_bytes), np.uint8)
    word, zeros = replace(recipe, scrambler=None).encode(both, metadata, pages[:2], filler=0)
    return bytes(np.frombuffer(stream, np.uint8) ^ word ^ zeros)
