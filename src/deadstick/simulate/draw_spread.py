"""How a drawn disk is spread over chips and planes."""

import numpy as np

from deadstick.recipe.interleave import NO_INTERLEAVE, Interleave
from deadstick.simulate.draw_ranges import Ranges
from deadstick.simulate.interleaved import draw_interleave

PAIRED_SHARE = 0.6


def draw_spread(rng: np.random.Generator, ranges: Ranges, *, mapped: bool, page_bytes: int) -> Interleave:
    """Draw the spread: none, or several chips or planes.

    Args:
        rng: decides everything.
        ranges: what may be drawn.
        mapped: whether the recipe maps blocks.
        page_bytes: of a page; only an even number can be dealt out to two chips byte by byte.
    """
    interleave = NO_INTERLEAVE
    if rng.random() < ranges.spread_share:
        while interleave.is_none:
            interleave = draw_interleave(rng, mapped=mapped, most_chips=ranges.chips_most, joined=page_bytes % 2 == 0)
    return interleave


def is_paired(rng: np.random.Generator) -> bool:
    """Draw whether the units act in step: then blocks 2k and 2k + 1 of a chip with two planes belong together."""
    return bool(rng.random() < PAIRED_SHARE)
