"""Seeds from data that are nowhere constant, but not random either.

Samples of sound are small numbers, so the two highest bits of each are mostly equal; the highest bit of a byte of text
is zero. One word says little of it. But where a keystream comes again in every codeword of a page, or in many pages,
the same bit of it lies under hundreds of words, and what most of them say of it is hardly ever wrong. Each such bit, or
sum of two bits, is a linear equation for the seed. Those that most words agree on are solved, and all others must bear
the solution out: decoding by reliable information sets (E. Prange, IRE Transactions on Information Theory 8, 1962; as
an attack on a shift register with noise, W. Meier and O. Staffelbach, Journal of Cryptology 1, 1989). A few words of
one kind among many of others tell themselves by their sums with each other (`relations`).
"""

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.solve.common.spread import evenly
from deadstick.solve.seeds.byte_values import MOST_KNOWN, profiles, seed_by_values
from deadstick.solve.seeds.every_seed import LONGEST
from deadstick.solve.seeds.likely_bytes import seeds_by_likely_bytes
from deadstick.solve.seeds.pattern_rivals import PatternTest, patterns
from deadstick.solve.seeds.relations import RELATIONS, Relation, alike, unseen

FEWEST_WORDS, MOST_WORDS, MOST_PAGES = 8, 4096, 64
BIASED = 1.5
"""Mean square of what words say in sum, by that of random words, from which on a seed is looked for."""
TRIALS = 48
CHOICE = 4
"""Times as many of the surest equations as there are unknowns, of which each trial solves some."""
MOST_SCORED, LEAST_SCORED = 12 << LONGEST, 1 << LONGEST - 4
"""Seeds of short registers that are scored over all keystreams: a few seconds for every 2^26. Each keystream counts for
the second number at least, since to count the data under it takes that long."""
MOST_BYTES = 16 << 20
"""Data that tell what kinds there are."""
PATTERNS = 0b1001
"""x^3 + 1: a register with a factor of it may add ones throughout, or a pattern of three bytes such as pixels have, and
sums of bits do not tell which of them the data hold."""
REPEATING = 1 << 48 | 1
"""(x^3 + 1)^16: what repeats after six bytes at most is an output of a factor of it."""
SURE = 14.0
"""Standard deviations of random sums that all equations must reach together. There are at most 2^64 seeds, of which the
best would reach 9.5 by accident (normal distribution, tail of 2^-64)."""

Bytes = NDArray[np.uint8]


def seeds_by_bias(recipe: Recipe, rows: Bytes, pages: NDArray[np.int64], missing: Sequence[int]) -> dict[int, int]:
    """Seeds of keystreams, from what most data under them have in common.

    Args:
        recipe: with a scrambler that runs on a register; a seed of 0 where it is missing.
        rows: `uint8[pages, data_bytes]`, data as the keystream left them: corrected ones under a scrambler before the
            ECC, those as read under one behind it.
        pages: `int64[pages]`, their numbers.
        missing: numbers of the keystreams.

    Returns:
        Number -> seed, as far as one explains so much that none does by accident. Where the register's output may be
        such a pattern as data have themselves, as far as the values of bytes tell which of both it is.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams) or not len(rows):
        return {}
    keystreams = scrambler.keystreams
    if keystreams.complement:
        # Only the register's output is asked for.
        rows, keystreams = ~rows, replace(keystreams, complement=False)
        recipe = replace(recipe, scrambler=replace(scrambler, keystreams=keystreams))
    width = keystreams.polynomial.bit_length() - 1
    basis = replace(recipe, scrambler=replace(scrambler, keystreams=keystreams.single_stages)).keys[0]
    length, begins = _alike_pieces(basis, recipe)
    under = scrambler.index(pages, recipe.pages_per_block)
    is_clear = gf2poly.gcd(keystreams.polynomial, PATTERNS) == 1
    rivals = _patterns(keystreams.polynomial, basis)
    found = {}
    for number in missing if rivals is not None else ():
        seeds = _seeds(rows[under == number], basis[:, :length], begins, rivals or ())
        seed = next(filter(None, seeds), None)
        if seed is not None:
            found[number] = seed
    if rivals and found:
        test = PatternTest.of(_plain(recipe, rows, under, MOST_BYTES // rows.shape[1]), basis, rivals)
        told = {number: test.told(np.unique(rows[under == number], axis=0), seed) for number, seed in found.items()}
        found = {number: seed for number, seed in told.items() if seed is not None}
    # Those with the most data first: time does not allow to try all.
    amounts = np.bincount(under, minlength=keystreams.count)
    left = sorted((number for number in missing if number not in found), key=lambda number: -int(amounts[number]))
    if left and width > LONGEST:
        words = ((number, _different(rows[under == number], length, begins)) for number in left)
        plain = _plain(recipe, rows, under, MOST_BYTES // rows.shape[1])
        return found | seeds_by_likely_bytes(words, basis[:, :length], plain)
    return found | (_by_values(recipe, rows, under, left, basis) if left and is_clear else {})


def _by_values(
    recipe: Recipe, rows: Bytes, under: NDArray[np.int64], missing: Sequence[int], basis: Bytes
) -> dict[int, int]:
    """Seeds of a short register, all of which can be scored."""
    usual = profiles(_plain(recipe, rows, under, MOST_KNOWN))
    attempts = MOST_SCORED // max(len(usual) << len(basis), LEAST_SCORED) if usual else 0
    told = ((number, seed_by_values(rows[under == number], basis, usual)) for number in missing[:attempts])
    return {number: seed for number, seed in told if seed is not None}


def _plain(recipe: Recipe, rows: Bytes, under: NDArray[np.int64], most: int) -> Bytes:
    """Some of the data under known keystreams, without these."""
    if recipe.scrambler is None:
        return rows[:0]
    known = np.flatnonzero(~recipe.scrambler.keystreams.unknown[under])
    known = known[evenly(len(known), most)]
    return rows[known] ^ recipe.keys[0][under[known]]


def _patterns(polynomial: int, basis: Bytes) -> tuple[int, ...] | None:
    """Seeds of patterns, none for most registers; None where not all are seen, or where they are too many."""
    found = patterns(basis)
    factor = gf2poly.gcd(polynomial, REPEATING)
    return found if found is not None and len(found) + 1 == 1 << factor.bit_length() - 1 else None


def _seeds(rows: Bytes, basis: Bytes, begins: tuple[int, ...], rivals: tuple[int, ...]) -> Iterator[int | None]:
    """What words under one keystream say: those of each page, which are mostly of one kind, all, and those alike."""
    length = basis.shape[1]
    if len(begins) >= FEWEST_WORDS:
        for page in rows[:MOST_PAGES]:
            words = _different(page[None], length, begins)
            yield from (_seed(words, basis, relation, rivals) for relation in RELATIONS)
    words = _different(rows, length, begins)
    if len(words) >= FEWEST_WORDS:
        yield from (_seed(words[:MOST_WORDS], basis, relation, rivals) for relation in RELATIONS)
    for relation in RELATIONS:
        yield from (_seed(some, basis, relation, rivals) for some in alike(words, relation))


def _different(rows: Bytes, length: int, begins: tuple[int, ...]) -> Bytes:
    """`uint8[words, length]`: the words of pages, each once."""
    words = np.stack([rows[:, first : first + length] for first in begins], axis=1)
    return np.unique(words.reshape(-1, length), axis=0)


def _alike_pieces(basis: Bytes, recipe: Recipe) -> tuple[int, tuple[int, ...]]:
    """(bytes, first bytes) of the stretches of a page's data that have the keystream of the first one."""
    count = len(recipe.layout.codewords)
    length = basis.shape[1] // count
    begins = tuple(
        first
        for first in range(0, length * count, length)
        if (basis[:, first : first + length] == basis[:, :length]).all()
    )
    is_even = length * count == basis.shape[1] and len(begins) > 1
    return (length, begins) if is_even else (basis.shape[1], (0,))


def _seed(words: Bytes, basis: Bytes, relation: Relation, rivals: tuple[int, ...]) -> int | None:
    """The seed under which a relation holds in `uint8[words, bytes]`, whose keystream `uint8[stages, bytes]` is.

    Where some rivals, patterns added to the keystream, make no difference to the relation, it is one of several.
    """
    sums = relation.sums(words)
    if float((sums**2).mean()) < BIASED * len(words):
        return None
    masks = relation.masks(basis)
    chosen = unseen(masks, rivals)
    # The sum is mostly zero, or mostly one, as the highest bit is in some alphabets.
    tries = (solved(masks, ones, np.abs(sums), chosen) for ones in (sums < 0, sums > 0))
    return next((seed for seed in tries if seed is not None), None)


def solved(
    masks: NDArray[np.uint64], ones: NDArray[np.bool_], weights: NDArray[np.float64], chosen: tuple[int, ...] = ()
) -> int | None:
    """The x under which noisy equations hold.

    Args:
        masks: `uint64[equations]`, the bits of x that are added up in each.
        ones: `bool[equations]`, whether the sum is odd, most likely.
        weights: `float64[equations]`, how surely.
        chosen: single bits of x that the equations leave open, and that are to be zero.

    Returns:
        None where none explains the equations, or not all other bits of x are in them.

    >>> masks = np.arange(1, 4096, dtype=np.uint64)  # x has twelve bits
    >>> ones = np.bitwise_count(masks & np.uint64(0xABC)) % 2 == 1
    >>> hex(solved(masks, ones ^ (masks % 7 == 0), np.ones(len(masks))))
    '0xabc'
    """
    width = max(int(np.bitwise_or.reduce(masks)) if len(masks) else 0, *chosen, 0).bit_length()
    order = np.argsort(-weights, kind="stable")
    total = float(np.sqrt((weights**2).sum()))
    rng = np.random.default_rng(len(masks))
    for trial in range(TRIALS):
        if trial:
            best = rng.permutation(order[: CHOICE * width])
            order = np.r_[best, order[len(best) :]]
        seed = _eliminated([*chosen, *masks[order].tolist()], [False] * len(chosen) + ones[order].tolist(), width)
        if seed is None:
            return None
        holds = (np.bitwise_count(masks & np.uint64(seed)) & 1 == 1) == ones
        if float(np.where(holds, weights, -weights).sum()) >= SURE * total:
            return seed
    return None


def _eliminated(masks: list[int], ones: list[bool], width: int) -> int | None:
    """The x that the first independent equations give, by Gauss and Jordan; None where they do not fix all its bits."""
    rows: dict[int, int] = {}  # highest bit -> equation, its right side below the lowest bit
    for mask, odd in zip(masks, ones, strict=True):
        row = mask << 1 | odd
        while row > 1 and row.bit_length() in rows:
            row ^= rows[row.bit_length()]
        if row > 1:
            rows[row.bit_length()] = row
            if len(rows) == width:
                break
    if len(rows) < width:
        return None
    seed = 0
    for length in sorted(rows):
        # The highest bit of the row is the only one that the seed so far does not have.
        known = rows[length] >> 1 & seed
        seed |= ((rows[length] ^ known.bit_count()) & 1) << length - 2
    return seed
