"""From places where the register shows to the scrambler's rule: where it restarts, over what it runs, its seeds.

Every hit gives the register's state at one column of one page. Under the right rule for the restarts, running the
register back to the start of the stream gives one and the same seed for all hits under one keystream; under
a wrong rule the seeds disagree. So each rule is scored by how many hits agree with the most frequent seed.
"""

from collections.abc import Callable, Iterable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.lfsr import Lfsr
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.scrambler import Restart, stream_positions
from deadstick.solve.kernels import rewind
from deadstick.solve.register import Hits, Register

MOST_HITS = 20_000
LONGEST_PERIOD = 1024
AGREEMENT = 0.9
SURE_HITS = 3
"""Hits that must agree on a seed: one alone may be an accident of the data, and the code does not check it."""
RESTARTS: tuple[Restart, ...] = ("codeword", "page", "column")
COVERS = (
    frozenset(Part),
    frozenset({Part.DATA, Part.METADATA}),
    frozenset({Part.DATA}),
    frozenset({Part.DATA, Part.PARITY}),
)


@dataclass(frozen=True)
class SeedRule:
    """A rule for the restarts, with the seeds that it gives.

    Attributes:
        restart: see `recipe.Scrambler`.
        covers: see `recipe.Scrambler`.
        period: pages after which the keystream comes again.
        seeds: seed by number of the keystream, where one was seen.
        agreeing: hits that agree with the seed of their keystream.
        counted: hits that could have disagreed.
    """

    restart: Restart
    covers: frozenset[Part]
    period: int
    seeds: dict[int, int]
    agreeing: int
    counted: int

    @property
    def agreement(self) -> float:
        """Share of the hits that agree."""
        return self.agreeing / max(1, self.counted)

    @property
    def missing(self) -> list[int]:
        """Keystreams without a seed."""
        return [number for number in range(self.period) if number not in self.seeds]


def seed_rules(
    hits: Hits,
    pages: NDArray[np.int64],
    columns: NDArray[np.int64],
    register: Register,
    layout: PageLayout,
    period: int,
    covers: Iterable[frozenset[Part]] = COVERS,
) -> list[SeedRule]:
    """Every rule for the restarts that the hits support, the best first.

    Args:
        hits: states seen.
        pages: `int64[hits]`, the page of each.
        columns: `int64[hits]`, the column of each.
        register: of the hits.
        layout: where the codewords lie.
        period: pages after which the keystream comes again, or a multiple of it; 0 where nothing is known.
        covers: coverages to consider.

    Returns:
        Rules with an agreement of at least `AGREEMENT`.
    """
    if len(pages) > MOST_HITS:
        chosen = np.linspace(0, len(pages) - 1, MOST_HITS).astype(np.int64)
        hits, pages, columns = hits.take(chosen), pages[chosen], columns[chosen]
    found = []
    for parts in covers:
        for restart in RESTARTS:
            if restart != "column" and not layout.is_byte_aligned:
                continue
            positions = stream_positions(layout, restart, parts)[columns]
            inside = positions >= 0
            seeds = _rewound(hits.states[inside], positions[inside], register)
            rule = _vote(pages[inside], seeds, period, restart, parts)
            if rule is not None and rule.agreement >= AGREEMENT:
                found.append(rule)
    # Fewer keystreams explain more with less: prefer the shorter period, then the rule with more support.
    return sorted(found, key=lambda rule: (-rule.agreeing, rule.period))


def _rewound(states: NDArray[np.uint64], bytes_back: NDArray[np.int64], register: Register) -> NDArray[np.uint64]:
    seeds = states.copy()
    powers = np.empty((20, register.width), np.uint64)
    rewind(seeds, bytes_back, register.polynomial ^ 1 << register.width, register.width, powers)
    return seeds


def _vote(
    pages: NDArray[np.int64], seeds: NDArray[np.uint64], period: int, restart: Restart, covers: frozenset[Part]
) -> SeedRule | None:
    if len(pages) == 0:
        return None
    shortest = shortest_period(pages, seeds)
    if not period or (shortest and period % shortest == 0):
        period = shortest
    if not period:
        return None
    winners, agreeing, counted = _majority(pages % period, seeds, SURE_HITS)
    return SeedRule(restart, covers, period, winners, agreeing, counted)


def _majority(groups: NDArray[np.int64], seeds: NDArray[np.uint64], fewest: int = 1) -> tuple[dict[int, int], int, int]:
    """Seeds that groups agree on.

    Args:
        groups: `int64[hits]`, the keystream of each hit.
        seeds: `uint64[hits]`, what each hit says.
        fewest: hits that must agree before a group has a seed.

    Returns:
        The seed of each group that two thirds of its hits, and at least `fewest`, agree on; how many hits agree with
        the most frequent seed, and how many there are, in groups with two hits or more.
    """
    order = np.lexsort((seeds, groups))
    pairs = np.stack([groups[order].astype(np.uint64), seeds[order]], axis=1)
    begins = np.flatnonzero(np.r_[True, (pairs[1:] != pairs[:-1]).any(axis=1)])
    counts = np.diff(np.r_[begins, len(pairs)])
    votes: dict[int, tuple[int, int, int]] = {}  # group -> (hits for the best seed, that seed, hits)
    for (group, seed), count in zip(pairs[begins].tolist(), counts.tolist(), strict=True):
        best, winner, total = votes.get(group, (0, 0, 0))
        votes[group] = (count, seed, total + count) if count > best else (best, winner, total + count)
    winners = {
        group: winner for group, (best, winner, total) in votes.items() if best >= fewest and 3 * best >= 2 * total
    }
    seen = [(best, total) for best, _, total in votes.values() if total > 1]
    return winners, sum(best for best, _ in seen), sum(total for _, total in seen)


def shortest_period(pages: NDArray[np.int64], seeds: NDArray[np.uint64]) -> int:
    """The shortest period under which pages that should share a seed do; 0 where there is none."""
    # One vote a page is enough, and makes the loop below quick.
    winners, agreeing, counted = _majority(pages, seeds)
    if counted and agreeing < AGREEMENT * counted:
        return 0
    last = int(pages.max())
    known = np.zeros(last + 1, np.bool_)
    value = np.zeros(last + 1, np.uint64)
    known[list(winners)] = True
    value[list(winners)] = list(winners.values())
    for period in range(1, min(LONGEST_PERIOD, last) + 1):
        both = known[period:] & known[:-period]
        pairs = int(both.sum())
        equal = int((value[period:] == value[:-period])[both].sum())
        if pairs >= max(4, len(winners) // 8) and equal >= AGREEMENT * pairs:
            return period
    return 0


def solve_seed(
    words: NDArray[np.uint8],
    positions: NDArray[np.int64],
    polynomial: int,
    lsb: bool,
    remainder: Callable[[NDArray[np.uint8]], NDArray[np.uint8]],
) -> int | None:
    """The seed of a keystream that was added to codewords, from the code alone.

    A codeword has remainder 0, so the remainder of a stored word is the remainder of the keystream, which is linear
    in the seed: as many equations as parity bits for as many unknowns as stages. It needs no constant plaintext, only
    two words without bit errors that agree.

    Args:
        words: `uint8[words, bytes]`, stored words under the keystream, in stored bit order.
        positions: `int64[bytes]`, the byte of the keystream that belongs to each byte of the word; -1: none.
        polynomial: of the register.
        lsb: whether the register fills bytes from the least significant bit.
        remainder: takes words in stored bit order to `uint8[words, parity_bytes]`.

    Returns:
        None where no two words agree.
    """
    width = gf2poly.degree(polynomial)
    basis = np.uint64(1) << np.arange(width, dtype=np.uint64)
    table = Lfsr(polynomial).keystream(basis, int(positions.max()) + 1, "lsb" if lsb else "msb")
    streams = np.where(positions >= 0, table[:, np.maximum(positions, 0)], np.uint8(0)).astype(np.uint8)
    columns = [int.from_bytes(row.tobytes(), "big") for row in remainder(streams)]
    seen: set[int] = set()
    for row in remainder(words):
        seed = _solve(columns, int.from_bytes(row.tobytes(), "big"))
        if seed is None or seed == 0:
            continue
        if seed in seen:
            return seed
        seen.add(seed)
    # One word is proof enough: with far more equations than unknowns an accident is out of the question.
    return seen.pop() if len(seen) == 1 else None


def _solve(columns: list[int], target: int) -> int | None:
    """The x with sum of x_i * columns[i] = target over GF(2), or None. Gauss on bit vectors held in integers."""
    reduced: dict[int, tuple[int, int]] = {}  # leading bit -> (vector, which columns make it)
    for index, column in enumerate(columns):
        vector, made = _reduce(column, 1 << index, reduced)
        if vector:
            reduced[vector.bit_length()] = (vector, made)
    rest, made = _reduce(target, 0, reduced)
    return None if rest else made


def _reduce(vector: int, made: int, reduced: dict[int, tuple[int, int]]) -> tuple[int, int]:
    while vector and vector.bit_length() in reduced:
        other, how = reduced[vector.bit_length()]
        vector ^= other
        made ^= how
    return vector, made
