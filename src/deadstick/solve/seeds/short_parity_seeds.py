"""Seeds under codes with little parity: what the code leaves open of one, the data decide.

The remainder of a word is that of its keystream, which is linear in the seed (`missing_seeds`). A Hamming code gives 24
equations, fewer than a long register has stages. All codewords of a page together give more, where each has a stretch
of the keystream of its own; and what they leave open is a register of a few stages over the same data, all seeds of
which are scored by the values that bytes have (`byte_values`).
"""

from collections import Counter
from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Self

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.common.spread import evenly_of
from deadstick.solve.seeds.biased_bits import PATTERNS
from deadstick.solve.seeds.byte_values import MOST_KNOWN, profiles, seed_by_values
from deadstick.solve.seeds.every_seed import LONGEST
from deadstick.solve.seeds.missing_seeds import complement_of, integers
from deadstick.solve.seeds.table_recipes import data_as_read

MOST_WORDS = 96
FEWEST_ALIKE, CLEARLY = 3, 2
"""Words that have the same remainder, and how many times as many as have any other: those without a bit error."""
MOST_SCORED = 4 << LONGEST
"""Seeds that are scored in all: a few seconds for every 2^26."""

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class _Page:
    """The equations of all codewords of a page together.

    Attributes:
        message_bytes: of each codeword.
        system: from the remainders, one behind the other, to the seed.
        constants: remainder of each codeword that a seed of zero would give.
        parity_bytes: bytes of each remainder.
    """

    message_bytes: tuple[int, ...]
    system: LinearSystem
    constants: tuple[int, ...]
    parity_bytes: int

    @classmethod
    def of(cls, recipe: Recipe, streams: Bytes, complement: Bytes) -> Self | None:
        """For `uint8[stages, page_bytes]`, the keystream that each bit of a seed adds; None where there is no code."""
        code = recipe.code
        if code is None:
            return None
        bare = Recipe(1, recipe.layout, replace(code, inverted=False, erased_is_codeword=False))
        rows = np.concatenate([streams, complement])
        lengths = tuple(codeword.message_bits // 8 for codeword in recipe.layout.codewords)
        rests = [
            code.codec.remainder(bare.words(rows, np.arange(len(rows)), slot), length)
            for slot, length in enumerate(lengths)
        ]
        system = LinearSystem(integers(np.concatenate([rest[:-1] for rest in rests], axis=1)))
        return cls(lengths, system, tuple(integers(np.stack([rest[-1] for rest in rests]))), rests[0].shape[1])

    def seed(self, recipe: Recipe, raw: Bytes, pages: NDArray[np.int64]) -> int | None:
        """A seed that all codewords agree with, from `uint8[pages, page_bytes]` under one keystream."""
        if recipe.code is None:
            return None
        target = 0
        for slot, (length, constant) in enumerate(zip(self.message_bytes, self.constants, strict=True)):
            words = np.unique(recipe.words(raw, pages, slot), axis=0)  # copies of a page say nothing twice
            (rest, times), *others = Counter(integers(recipe.code.codec.remainder(words, length))).most_common(2)
            if times < max(FEWEST_ALIKE, CLEARLY * (others[0][1] if others else 0)):
                return None
            target = target << 8 * self.parity_bytes | rest ^ constant
        return self.system.some_solution(target)


def short_parity_seeds(recipe: Recipe, raw: Bytes, pages: NDArray[np.int64], missing: Iterable[int]) -> dict[int, int]:
    """Seeds of keystreams over the stored codewords, from all codewords of a page and from what data have in common.

    Args:
        recipe: with a scrambler after the ECC that runs on a register; a seed of 0 where it is missing. Inversion and
            mask of the code must be right.
        raw: `uint8[pages, page_bytes]`, as read, under missing keystreams and some known ones.
        pages: `int64[pages]`, their numbers.
        missing: numbers of the keystreams.

    Returns:
        Number -> seed. Nothing is scored under a register whose output may be a pattern that data have themselves.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams) or not len(raw):
        return {}
    keystreams = scrambler.keystreams
    streams = replace(scrambler, keystreams=keystreams.single_stages).masks(recipe.layout)
    page = _Page.of(recipe, streams, complement_of(scrambler, keystreams, recipe))
    if page is None or len(page.system.kernel) > LONGEST:
        return {}
    kernel = page.system.kernel
    under = scrambler.index(pages, recipe.pages_per_block)
    found, left = {}, MOST_SCORED if gf2poly.gcd(keystreams.polynomial, PATTERNS) == 1 else 0
    data = data_as_read(replace(recipe, scrambler=None), raw)
    usual = _usual(recipe, data, under) if kernel else ()
    for number in missing:
        chosen = evenly_of(np.flatnonzero(under == number), MOST_WORDS)
        seed = page.seed(recipe, raw[chosen], pages[chosen]) if len(chosen) else None
        if seed is not None and kernel:
            left -= len(usual) << len(kernel)
            seed = _scored(recipe, data[under == number], seed, kernel, usual) if left >= 0 else None
        if seed:
            found[number] = seed
    return found


def _usual(recipe: Recipe, data: Bytes, under: NDArray[np.int64]) -> tuple[NDArray[np.float32], ...]:
    """What data under known keystreams are like."""
    if recipe.scrambler is None:
        return ()
    known = evenly_of(np.flatnonzero(~recipe.scrambler.keystreams.unknown[under]), MOST_KNOWN)
    return profiles(data[known] ^ recipe.keys[0][under[known]])


def _scored(
    recipe: Recipe, data: Bytes, seed: int, kernel: tuple[int, ...], usual: tuple[NDArray[np.float32], ...]
) -> int | None:
    """The seed and a sum of the kernel, under which `uint8[pages, data_bytes]` are most like usual data."""
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams) or not usual:
        return None
    # A seed of zero would be an unknown one; the other part of the sum is never zero.
    seed = seed or kernel[0]
    both = replace(scrambler.keystreams, seeds=(seed, *kernel), complement=False)
    stream, *basis = replace(recipe, scrambler=replace(scrambler, keystreams=both)).keys[0]
    if scrambler.keystreams.complement:
        stream = ~stream
    parts = seed_by_values(data ^ stream, np.array(basis), usual)
    if parts is None:
        return None
    for bit, part in enumerate(kernel):
        seed ^= part * (parts >> bit & 1)
    return seed
