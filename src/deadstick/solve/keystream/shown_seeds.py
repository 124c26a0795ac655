"""The seeds that hits show, where they are too few to tell which page has which."""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.scrambler import Restart, stream_positions
from deadstick.solve.keystream.keystream import COVERS, may_hold, streams
from deadstick.solve.page_size.seed_votes import majority
from deadstick.solve.register.register import Hits, Register
from deadstick.solve.register.register_states import complemented, rewound


@dataclass(frozen=True)
class ShownSeeds:
    """A rule for the restarts under which hits of one page agree, and the seeds that it gives.

    Attributes:
        restart: see `recipe.Scrambler`.
        covers: see `recipe.Scrambler`.
        seeds: `uint64[seeds]`, each once.
        pages: pages that show a seed, with all seeds that it may be.
    """

    restart: Restart
    covers: frozenset[Part]
    seeds: NDArray[np.uint64]
    pages: dict[int, set[int]]


def shown_seeds(
    hits: Hits, pages: NDArray[np.int64], columns: NDArray[np.int64], register: Register, layout: PageLayout
) -> Iterator[ShownSeeds]:
    """Seeds under every rule for the restarts that single pages do not refute; rules that say the same come once.

    Args:
        hits: states seen.
        pages: `int64[hits]`, the page of each, ascending.
        columns: `int64[hits]`, the column of each.
        register: of the hits.
        layout: where the codewords lie.
    """
    known: set[bytes] = set()
    told = np.ones(layout.page_bytes, np.bool_)
    if layout.is_byte_aligned and not layout.loose:
        # What a keystream does to columns that hold nothing makes no difference.
        told = stream_positions(layout, "codeword", frozenset(Part)) >= 0
    for restart, covers, positions in streams(layout, columns, COVERS):
        key, inside = stream_positions(layout, restart, covers)[told].tobytes(), positions >= 0
        if key in known or not may_hold(hits.states[inside], pages[inside], positions[inside], register):
            continue
        known.add(key)
        seeds = rewound(hits.states[inside], positions[inside], register)
        if register.has_complements:
            # Zeros and ones may have stood there.
            seeds = np.minimum(seeds, complemented(seeds, register))
        winners, _, _ = majority(pages[inside], seeds)
        may_be = {page: {seed} for page, seed in winners.items()}
        if register.has_complements:
            may_be = {page: {seed, seed ^ (1 << register.width) - 1} for page, seed in winners.items()}
        every = np.array(sorted(set().union(*may_be.values()) - {0}), np.uint64)
        yield ShownSeeds(restart, covers, every, may_be)
