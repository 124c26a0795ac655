"""Seeds from the code's equations, for keystreams under which nothing constant lies.

A codeword has remainder 0, so the remainder of a stored word is the remainder of the keystream, which is linear in the
seed: as many equations as parity bits for as many unknowns as stages. It needs no constant plaintext, but a word
without a bit error.

Where there is none, words are cleaned first. The sum of two words under one keystream is a codeword with the errors of
both, and can be corrected as long as these are at most t together. What the errors of the words 1 and 2 have in common
with those of 1 and 3 is wrong in word 1.
"""

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.common.spread import evenly

SURPLUS = 32
"""Equations beyond the unknowns: what holds in all of them is an accident with the chance 2 to the minus that."""
MOST_PAGES = 24
MOST_WORDS = 24
CLEANED = 5
"""Words that are cleaned with each other."""


@dataclass(frozen=True)
class _Equations:
    """Codewords of a page that have the same keystream, and what it says of the seed.

    Attributes:
        slots: numbers of the codewords.
        message_bytes: of each.
        system: from the remainder to the seed.
        constant: remainder that a seed of zero would give.
    """

    slots: tuple[int, ...]
    message_bytes: int
    system: LinearSystem
    constant: int


def missing_seeds(
    recipe: Recipe, pages: NDArray[np.uint8], written: NDArray[np.int64], missing: Iterable[int]
) -> dict[int, int]:
    """Seeds of keystreams, from the pages under them.

    Args:
        recipe: with a scrambler after the ECC that runs on a register; a seed of 0 where it is missing. Inversion
            and mask of the code must be right.
        pages: `uint8[pages, page_bytes]`, as read, from page 0 on.
        written: `int64[]`, which of them are not erased.
        missing: numbers of the keystreams.

    Returns:
        Number -> seed, as far as the equations tell one.
    """
    scrambler, code = recipe.scrambler, recipe.code
    if scrambler is None or code is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return {}
    equations = list(_equations(recipe, scrambler, scrambler.keystreams, code))
    under = scrambler.index(written, recipe.pages_per_block)
    found = {}
    for number in missing:
        chosen = written[under == number]
        chosen = chosen[evenly(len(chosen), MOST_PAGES)]
        seed = next(filter(None, _seeds(recipe, code, pages, chosen, equations)), None) if len(chosen) else None
        if seed is not None:
            found[number] = seed
    return found


def _seeds(
    recipe: Recipe, code: Code, pages: NDArray[np.uint8], chosen: NDArray[np.int64], equations: Sequence[_Equations]
) -> Iterator[int | None]:
    """What clean words say, codeword by codeword, then what words say that were cleaned."""
    for way in (_as_read, cleaned):
        for item in equations:
            words = np.concatenate([recipe.words(pages[chosen], chosen, slot) for slot in item.slots])
            yield _voted(item, code, way(words[evenly(len(words), MOST_WORDS)], code, item.message_bytes))


def _voted(item: _Equations, code: Code, words: NDArray[np.uint8]) -> int | None:
    if not len(words):
        return None
    targets = integers(code.codec.remainder(words, item.message_bytes))
    seeds = Counter(filter(None, (item.system.solve(target ^ item.constant) for target in targets)))
    return seeds.most_common(1)[0][0] if seeds else None


def _as_read(words: NDArray[np.uint8], code: Code, message_bytes: int) -> NDArray[np.uint8]:
    del code, message_bytes
    return words


def cleaned(words: NDArray[np.uint8], code: Code, message_bytes: int) -> NDArray[np.uint8]:
    """Words less the errors that two sums with other words have in common.

    Args:
        words: `uint8[words, bytes]`, codewords to which the same was added.
        code: of the words.
        message_bytes: of each.

    Returns:
        `uint8[cleaned, bytes]`; some may still have errors.
    """
    some = words[:CLEANED]
    if len(some) < 3:
        return some[:0]
    first, second = np.nonzero(~np.eye(len(some), dtype=np.bool_))
    sums = some[first] ^ some[second]
    decoded = code.codec.decode(sums.copy(), message_bytes)
    errors = decoded.words ^ sums
    cleaned = []
    for number, word in enumerate(some):
        own = errors[(first == number) & (decoded.errors >= 0)]
        cleaned += [word ^ (one & other) for one, other in pairwise(own)]
    return np.array(cleaned, np.uint8).reshape(-1, words.shape[1])


def _equations(recipe: Recipe, scrambler: Scrambler, keystreams: LfsrKeystreams, code: Code) -> Iterator[_Equations]:
    """One system for all codewords of a page that have the same keystream."""
    width = keystreams.polynomial.bit_length() - 1
    if code.parity_bits < width + SURPLUS:
        return
    basis = replace(keystreams, seeds=tuple(1 << bit for bit in range(width)), complement=False)
    streams = replace(scrambler, keystreams=basis).masks(recipe.layout)
    bare = Recipe(1, recipe.layout, replace(code, inverted=False, erased_is_codeword=False))
    rows = np.concatenate([streams, complement_of(scrambler, keystreams, recipe)])
    alike: dict[tuple[int, bytes], tuple[list[int], NDArray[np.uint8]]] = {}
    for slot, codeword in enumerate(recipe.layout.codewords):
        words = bare.words(rows, np.arange(len(rows)), slot)
        key = (codeword.message_bits // 8, words.tobytes())
        alike.setdefault(key, ([], words))[0].append(slot)
    for (message_bytes, _), (slots, words) in alike.items():
        *columns, constant = integers(code.codec.remainder(words, message_bytes))
        system = LinearSystem(columns)
        if system.is_regular:
            yield _Equations(tuple(slots), message_bytes, system, constant)


def complement_of(scrambler: Scrambler, keystreams: LfsrKeystreams, recipe: Recipe) -> NDArray[np.uint8]:
    """`uint8[1, page_bytes]`: what the complement of all keystreams adds."""
    ones = np.zeros((1, recipe.layout.page_bytes), np.uint8)
    if keystreams.complement:
        one = replace(scrambler, keystreams=replace(keystreams, seeds=(1,)))
        other = replace(scrambler, keystreams=replace(keystreams, seeds=(1,), complement=False))
        ones = one.masks(recipe.layout) ^ other.masks(recipe.layout)
    return ones


def integers(rows: NDArray[np.uint8]) -> list[int]:
    """Each of `uint8[rows, bytes]` as a number, the first byte highest."""
    return [int.from_bytes(row.tobytes(), "big") for row in rows]
