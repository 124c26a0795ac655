"""Scramblers drawn at random: where they sit, what makes their keystreams, and which page has which."""

import numpy as np

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.code import BitOrder
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.scrambler import LfsrKeystreams, Place, Restart, Scrambler, StoredKeystreams, stream_positions
from deadstick.simulate.draw_ranges import Ranges, SeedRule

PLACES: tuple[Place | None, ...] = (None, "before_ecc", "after_ecc")
RESTARTS: tuple[Restart, ...] = ("codeword", "page", "column")
EVERYTHING = frozenset(Part)
DATA_ALONE = frozenset({Part.DATA})
COVERS: dict[Place, tuple[frozenset[Part], ...]] = {
    "after_ecc": (EVERYTHING, EVERYTHING, EVERYTHING, frozenset({Part.DATA, Part.PARITY})),
    "before_ecc": (DATA_ALONE, DATA_ALONE, frozenset({Part.DATA, Part.METADATA})),
}
PERIODS = (16, 512)
LEAST_SIGHTINGS, LEAST_STORED_SIGHTINGS = 6, 40
"""Pages of the dump under each keystream. A table of keystreams without a rule needs more of them: what lies under a
keystream that was seen a few times over packed data, no reasoning can tell."""
LARGE_REGISTER = 16


def draw_scrambler(
    rng: np.random.Generator, ranges: Ranges, layout: PageLayout, pages_per_block: int, pages: int
) -> tuple[Scrambler | None, SeedRule | None]:
    """Draw a scrambler.

    Args:
        rng: decides everything.
        ranges: what may be drawn.
        layout: of the page.
        pages_per_block: pages in a block.
        pages: of the dump, about; they bound the number of keystreams.

    Returns:
        The scrambler and its seed rule; None for none.
    """
    place = PLACES[int(rng.integers(len(PLACES)))]
    # A scrambler before the code knows nothing of columns, and only these make sense where parity is not byte-aligned.
    if place is None or (place == "before_ecc" and not layout.is_byte_aligned):
        return None, None
    restart: Restart = RESTARTS[int(rng.integers(len(RESTARTS)))] if layout.is_byte_aligned else "column"
    stored = bool(rng.random() < ranges.stored_share)
    rule = ranges.seed_rules[int(rng.integers(len(ranges.seed_rules)))]
    count, page_step, block_step = _draw_rule(rng, rule, pages_per_block, pages, stored=stored)
    covers = COVERS[place][int(rng.integers(len(COVERS[place])))] if ranges.controllers_vary else COVERS[place][0]
    keystreams: LfsrKeystreams | StoredKeystreams
    if stored:
        length = int(stream_positions(layout, restart, covers).max()) + 1
        keystreams = StoredKeystreams(tuple(rng.bytes(length) for _ in range(count)))
    else:
        keystreams = _draw_register(rng, ranges, count)
    return Scrambler(place, restart, keystreams, covers, page_step, block_step), rule


def _draw_rule(
    rng: np.random.Generator, rule: SeedRule, pages_per_block: int, pages: int, *, stored: bool
) -> tuple[int, int, int]:
    """Number of keystreams, page step and block step of `Scrambler`."""
    least = LEAST_STORED_SIGHTINGS if stored else LEAST_SIGHTINGS
    most = max(PERIODS[0], min(PERIODS[1], pages // least))
    if rule == "place" and not stored and pages_per_block <= most and rng.random() < 0.6:
        return pages_per_block, 1, 0
    count = int(rng.integers(PERIODS[0], most + 1))
    if rng.random() < 0.5:
        count = 1 << (count.bit_length() - 1)
    if rule == "place":
        return count, 1, 0
    if rule == "chip":
        return count, 1, pages_per_block % count
    blocks = max(2, pages // pages_per_block)
    if rule == "block":
        # At least two blocks under each keystream.
        return max(2, min(count, blocks // 2)), 0, 1
    return count, int(rng.integers(1, count)), int(rng.integers(1, count))


def _draw_register(rng: np.random.Generator, ranges: Ranges, count: int) -> LfsrKeystreams:
    width = int(rng.integers(ranges.register[0], ranges.register[1] + 1))
    varies = ranges.controllers_vary
    any_taps = varies and width >= LARGE_REGISTER and rng.random() < 0.15
    polynomial = _any_polynomial(rng, width) if any_taps else draw_primitive(rng, width)
    order: BitOrder = "lsb" if rng.random() < 0.6 else "msb"
    if varies and rng.random() < 0.3:
        seeds = _on_one_orbit(rng, polynomial, width, count)
    else:
        # Small registers run out of different seeds; a table of seeds repeats then.
        seeds = tuple(int(rng.integers(1, 1 << width, dtype=np.uint64)) for _ in range(count))
    return LfsrKeystreams(polynomial, seeds, order, complement=varies and bool(rng.random() < 0.1))


def _on_one_orbit(rng: np.random.Generator, polynomial: int, width: int, count: int) -> tuple[int, ...]:
    """Seeds a fixed number of shifts apart, as a register that runs on from page to page has them."""
    register = Lfsr(polynomial)
    state, step = int(rng.integers(1, 1 << width, dtype=np.uint64)), int(rng.integers(1, 1 << 20))
    seeds = []
    for _ in range(count):
        seeds.append(state)
        state = register.advance(state, step)
    return tuple(seeds)


def _any_polynomial(rng: np.random.Generator, width: int) -> int:
    """Any taps, the oldest stage among them."""
    return (1 << width) | int(rng.integers(0, 1 << width, dtype=np.uint64)) | 1


def draw_primitive(rng: np.random.Generator, width: int) -> int:
    """A primitive polynomial of a degree, any number of taps."""
    while True:
        polynomial = _any_polynomial(rng, width)
        if gf2poly.is_primitive(polynomial):
            return polynomial
