"""Seeds of long registers from how often packed data have each value of a byte.

A register of more stages than `every_seed` can try has the same evidence: in packed data some values are rarer or more
frequent than others (`byte_values`, `kinds_of_data`). In each column of the words under one keystream this makes some
values of the keystream's byte likelier. One byte so guessed is often wrong; but in the columns where the likeliest
value is most ahead, as many bytes as the register has stages are all right now and then. So a few of these columns are
drawn at random and solved for the seed, until one explains all other columns, too: decoding by information sets
(E. Prange, IRE Transactions on Information Theory 8, 1962). How likely each guess is tells beforehand how many draws
that takes; where they are too many, none is made.
"""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import islice
from math import prod

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly
from deadstick.solve.seeds.byte_values import FEWEST_WORDS, MOST_WORDS, sectors_like_noise, sums_of_bits
from deadstick.solve.seeds.every_seed import SURE, walsh_matrix
from deadstick.solve.seeds.kinds_of_data import Rates, kinds_of_data
from deadstick.solve.seeds.likely_bytes_kernels import solve_systems
from deadstick.solve.seeds.pattern_rivals import is_ahead, patterns

SHARES = (1.0, 0.9, 0.5)
"""How much of the data under a keystream may be of one kind; the rest is as good as random."""
MOST_SEEDS, MOST_COLUMNS = 16, 2048
MOST_DRAWS, DRAWS = 1 << 19, 1 << 12
"""Draws in all, which take a few seconds, and at a time."""
ENOUGH = 8
"""Times as many draws as one that is right takes in the mean: if there is one, fewer miss it with a chance of e^-8."""
SPARE = 2
"""Columns drawn beyond those that are needed, since equations depend on each other and one column may come twice."""
CHECKED, SUMS, LOOKED_AT = 128, 2, 8
"""Columns, and sums of bits of each, that rank the seeds of `DRAWS` draws; and seeds then held against all columns."""
SINGLE = 1 << np.arange(8)
"""The sums that are a single bit of a byte."""

Bytes = NDArray[np.uint8]
_Checks = tuple[NDArray[np.uint64], NDArray[np.bool_], NDArray[np.float64]]
"""Sums of bits: the stages of the seed that each adds up, whether it is odd, most likely, and how surely."""


@dataclass(frozen=True, slots=True)
class _Guesses:
    """What columns say of the bytes of a keystream.

    Attributes:
        masks: `uint64[columns, 256]`, the stages of the seed that each sum of bits adds up.
        scores: `float64[columns, 256]`, the logarithm of how likely each value of the byte is, but for a constant.
        order: `int64[columns]`, the columns, the one with the surest guess first.
        chances: `float64[columns, 256]`, how likely each value is, in that order.
        first: of how many columns to draw.
        stages: of the register.
        needed: columns that fix a seed.
        chance: that a draw of so many is right.
        evidence: the logarithm of how much likelier the words are if their data are of this kind, under whichever bytes
            of the keystream, than if they are random. To be above e is an accident of exp(-e).
    """

    masks: NDArray[np.uint64]
    scores: NDArray[np.float64]
    order: NDArray[np.int64]
    chances: NDArray[np.float64]
    first: int
    stages: int
    needed: int
    chance: float
    evidence: float

    @classmethod
    def of(cls, masks: NDArray[np.uint64], scores: NDArray[np.float64], stages: int) -> "_Guesses":
        """With the best choice of columns."""
        highest = scores.max(axis=1, keepdims=True)
        chances = np.exp(scores - highest)
        evidence = float((highest[:, 0] + np.log(chances.mean(axis=1))).sum())
        chances /= chances.sum(axis=1, keepdims=True)
        order = np.argsort(-chances.max(axis=1), kind="stable")
        # Columns may depend on each other by a bit or two.
        needed = -(-(stages + 2) // 8)
        first, chance = _best_choice(chances.max(axis=1)[order], needed)
        return cls(masks, scores, order, chances[order], first, stages, needed, chance, evidence)

    def deviation(self, seed: int) -> float:
        """Standard deviations by which the seed's keystream is likelier than a random one.

        Any seed is right in the columns that it was solved from. So as many columns as a draw has do not count, those
        that say the most for it.
        """
        odd = np.bitwise_count(self.masks[:, SINGLE] & np.uint64(seed)) & 1
        stream = np.packbits(odd, axis=1, bitorder="little")[:, 0]
        said = self.scores[np.arange(len(stream)), stream] - self.scores.mean(axis=1)
        counted = np.argsort(-said, kind="stable")[self.needed + SPARE :]
        spread = float(np.sqrt(self.scores[counted].var(axis=1).sum()))
        return float(said[counted].sum()) / spread if spread else 0.0


def seeds_by_likely_bytes(words: Iterable[tuple[int, Bytes]], basis: Bytes, plain: Bytes) -> dict[int, int]:
    """Seeds under which data have the values of one of the kinds that are known.

    Args:
        words: numbers of keystreams, and `uint8[words, bytes]`, different data under each; only some are tried.
        basis: `uint8[stages, bytes]`, what each bit of a seed adds.
        plain: `uint8[pages, data_bytes]`, data that are known.

    Returns:
        Number -> seed, where one stands out, and it takes not too many draws to find it.
    """
    kinds, rivals = kinds_of_data(sectors_like_noise(plain)), patterns(basis)
    if not kinds or rivals is None:
        return {}
    told = ((number, seed_by_likely_bytes(some, basis, kinds, rivals)) for number, some in islice(words, MOST_SEEDS))
    return {number: seed for number, seed in told if seed is not None}


def seed_by_likely_bytes(
    words: Bytes, basis: Bytes, kinds: tuple[Rates, ...], rivals: tuple[int, ...] = ()
) -> int | None:
    """The seed under which data have the values of one of some kinds; see `seeds_by_likely_bytes`.

    Args:
        words: `uint8[words, bytes]`, different data under one keystream.
        basis: `uint8[stages, bytes]`.
        kinds: of data.
        rivals: seeds of patterns, see `pattern_rivals`.
    """
    words = words[evenly(len(words), MOST_WORDS)]
    if len(words) < FEWEST_WORDS:
        return None
    some = evenly(words.shape[1], MOST_COLUMNS)
    counts, masks = _counts(words[:, some]), sums_of_bits(basis[:, some])
    tries = [
        _Guesses.of(masks, _scores(counts, share * rates + 1 - share), len(basis))
        for rates in kinds
        for share in SHARES
    ]
    tries = sorted((guesses for guesses in tries if guesses.evidence > 0), key=lambda guesses: -guesses.evidence)
    left = MOST_DRAWS
    for guesses in tries:
        draws = min(left, int(ENOUGH / max(guesses.chance, 1 / MOST_DRAWS)))
        if guesses.chance * draws < 1:
            continue
        seed = _drawn(guesses, draws)
        if seed is not None:
            return seed if is_ahead(seed, rivals, words, basis, kinds) else None
        left -= draws
    return None


def _counts(words: Bytes) -> NDArray[np.float64]:
    """`float64[columns, 256]`: how often each value stands in each column."""
    places = 256 * np.arange(words.shape[1]) + words
    return np.bincount(places.reshape(-1), minlength=256 * words.shape[1]).reshape(-1, 256).astype(np.float64)


def _scores(counts: NDArray[np.float64], rates: Rates) -> NDArray[np.float64]:
    """`float64[columns, 256]`, see `_Guesses`: under a byte of the keystream every value is added to it."""
    values = np.arange(256)
    scores: NDArray[np.float64] = counts @ np.log(rates)[values[:, None] ^ values]
    return scores


def _drawn(guesses: _Guesses, draws: int) -> int | None:
    """The seed that some of the surest columns tell and all columns bear out."""
    masks = guesses.masks[guesses.order[: guesses.first]][:, SINGLE]
    odd = guesses.chances[: guesses.first].argmax(axis=1)[:, None] >> np.arange(8) & 1 == 1
    checks = _checks(guesses)
    rng = np.random.default_rng(draws)
    for _ in range(-(-draws // DRAWS)):
        drawn = rng.integers(0, len(masks), (DRAWS, guesses.needed + SPARE))
        seeds = np.zeros(DRAWS, np.uint64)
        solve_systems(masks[drawn].reshape(DRAWS, -1), odd[drawn].reshape(DRAWS, -1), guesses.stages, seeds)
        for seed in _ranked(seeds[seeds != 0], checks):
            if guesses.deviation(seed) >= SURE:
                return seed
    return None


def _best_choice(likely: NDArray[np.float64], needed: int) -> tuple[int, float]:
    """Of how many columns to draw, and the chance that all that are drawn are right.

    Args:
        likely: `float64[columns]`, the chance that the likeliest byte of each is right, falling.
        needed: columns of a draw.
    """
    right = np.cumsum(likely)
    firsts = np.arange(needed, len(likely) + 1)
    chances = prod(np.maximum(right[firsts - 1] - taken, 0) / (firsts - taken) for taken in range(needed))
    if not len(firsts):
        return 0, 0.0
    best = int(np.argmax(chances))
    return int(firsts[best]), float(np.asarray(chances)[best])


def _checks(guesses: _Guesses) -> _Checks:
    """The surest sums of bits in the surest columns: of one column alone, nothing would be told of the others."""
    sums = guesses.chances[:CHECKED] @ walsh_matrix(8).astype(np.float64)
    sums[:, 0] = 0
    surest = np.argsort(-np.abs(sums), axis=1, kind="stable")[:, :SUMS]
    said = np.take_along_axis(sums, surest, axis=1).reshape(-1)
    masks = np.take_along_axis(guesses.masks[guesses.order[:CHECKED]], surest, axis=1).reshape(-1)
    return masks, said < 0, np.abs(said)


def _ranked(seeds: NDArray[np.uint64], checks: _Checks) -> list[int]:
    """The few seeds under which most of the surest sums hold."""
    masks, odd, weights = checks
    seeds = np.unique(seeds)
    holds = (np.bitwise_count(seeds[:, None] & masks) & 1 == 1) == odd
    best: list[int] = seeds[np.argsort(-(holds @ weights), kind="stable")[:LOOKED_AT]].tolist()
    return best
