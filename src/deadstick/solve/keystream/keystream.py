"""From places where the register shows to the scrambler's rule: where it restarts, over what it runs, its seeds.

Every hit gives the register's state at one column of one page. Under the right rule for the restarts, running the
register back to the start of the stream gives one and the same seed for all hits under one keystream; under
a wrong rule the seeds disagree. So each rule is scored by how many hits agree with the most frequent seed. Which page
has which keystream follows from the seeds of single pages, see `find_schedule`.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.scrambler import Restart, stream_positions
from deadstick.solve.common.spread import evenly
from deadstick.solve.keystream.find_schedule import find_schedule
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.page_size.seed_votes import AGREEMENT, majority, shortest_period
from deadstick.solve.register.register import Hits, Register
from deadstick.solve.register.register_states import one_of_two, rewound

MOST_HITS = 100_000
FIRST_HITS = 4_000
SURE_HITS = 3
"""Hits in different columns that must agree on a seed: one alone may be an accident of the data, and the code does not
check it."""
WIDE_REGISTER = 32
"""Stages from which on two hits are enough, since seeds do not agree by accident."""
ROW, MOST_ALIKE = 12, 0.3
"""Pages in a row under one keystream that are no accident, and the share of all pages that such rows may be."""
MIXED = 0.1
"""Share of the keystreams that are the register's output, or its complement, from which on either is no accident."""
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
        schedule: which page has which keystream.
        seeds: seed by number of the keystream, where one was seen.
        agreeing: hits that agree with the seed of their keystream.
        counted: hits that could have disagreed.
        ones: keystreams whose hits stood there as the complement of the register's output from that seed.
    """

    restart: Restart
    covers: frozenset[Part]
    schedule: Schedule
    seeds: dict[int, int]
    agreeing: int
    counted: int
    ones: frozenset[int] = frozenset()

    @property
    def period(self) -> int:
        """Keystreams."""
        return self.schedule.count

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
    known: Schedule | int,
    covers: Iterable[frozenset[Part]] = COVERS,
    fewest: int = SURE_HITS,
) -> list[SeedRule]:
    """Every rule for the restarts that the hits support, the best first.

    Args:
        hits: states seen.
        pages: `int64[hits]`, the page of each, ascending.
        columns: `int64[hits]`, the column of each.
        register: of the hits.
        layout: where the codewords lie.
        known: which page has which keystream, for where the hits are too few to tell; or the pages after which
            the keystream comes again, or a multiple of them; 0 where nothing is known.
        covers: coverages to consider.
        fewest: hits that must agree on a seed; one less for a wide register.

    Returns:
        Rules with an agreement of at least `AGREEMENT`.
    """
    if len(pages) > MOST_HITS:
        chosen = evenly(len(pages), MOST_HITS)
        hits, pages, columns = hits.take(chosen), pages[chosen], columns[chosen]
    if fewest == SURE_HITS and register.width >= WIDE_REGISTER:
        fewest -= 1
    found = []
    # Most rules for the restarts say the same of the hits, and to look for the schedule takes seconds.
    votes: dict[bytes, SeedRule | None] = {}
    for restart, parts, positions in streams(layout, columns, covers):
        key = positions.tobytes()
        if key not in votes:
            votes[key] = _voted(hits, pages, columns, positions, register, known, fewest)
        rule = votes[key]
        if rule is not None and rule.agreement >= AGREEMENT:
            found.append(replace(rule, restart=restart, covers=parts))
    # Fewer keystreams explain more with less: prefer the shorter period, then the rule with more support.
    return sorted(found, key=lambda rule: (-rule.agreeing, rule.period))


def streams(
    layout: PageLayout, columns: NDArray[np.int64], covers: Iterable[frozenset[Part]]
) -> Iterator[tuple[Restart, frozenset[Part], NDArray[np.int64]]]:
    """Every rule for the restarts, with the place of each hit in its stream, `int64[hits]`; -1 outside."""
    for parts in covers:
        for restart in RESTARTS:
            if restart == "column" or layout.is_byte_aligned:
                yield restart, parts, stream_positions(layout, restart, parts)[columns]


def may_hold(
    states: NDArray[np.uint64], pages: NDArray[np.int64], positions: NDArray[np.int64], register: Register
) -> bool:
    """Whether hits of one page agree, in the pages with most hits, which tells wrong rules at little cost."""
    if not len(pages):
        return False
    _, first, counts = np.unique(pages, return_index=True, return_counts=True)
    order = np.argsort(-counts, kind="stable")
    order = order[: max(1, int(np.searchsorted(np.cumsum(counts[order]), FIRST_HITS)))]
    chosen = np.concatenate([np.arange(first[i], first[i] + counts[i]) for i in order])
    seeds, _ = one_of_two(rewound(states[chosen], positions[chosen], register), register)
    _, agreeing, counted = majority(pages[chosen], seeds)
    return agreeing >= AGREEMENT * counted


def _voted(
    hits: Hits,
    pages: NDArray[np.int64],
    columns: NDArray[np.int64],
    positions: NDArray[np.int64],
    register: Register,
    known: Schedule | int,
    fewest: int,
) -> SeedRule | None:
    """What the hits say where each stands at such a place of its stream, `int64[hits]`; -1 outside."""
    inside = positions >= 0
    if not may_hold(hits.states[inside], pages[inside], positions[inside], register):
        return None
    seeds, flipped = one_of_two(rewound(hits.states[inside], positions[inside], register), register)
    ones = hits.ones[inside] ^ flipped
    return _vote(pages[inside], seeds, columns[inside], ones, known, fewest, is_signed=register.has_complements)


def _vote(
    pages: NDArray[np.int64],
    seeds: NDArray[np.uint64],
    columns: NDArray[np.int64],
    ones: NDArray[np.bool_],
    known: Schedule | int,
    fewest: int,
    *,
    is_signed: bool,
) -> SeedRule | None:
    if fewest == 1:
        kept = ~np.isin(pages, alike_in_a_row(pages, seeds))
        pages, seeds, columns, ones = pages[kept], seeds[kept], columns[kept], ones[kept]
    schedule = _schedule(pages, seeds, known)
    if schedule is None:
        return None
    numbers = schedule.index(pages)
    winners, agreeing, counted = majority(numbers, seeds)
    if fewest > 1:
        # Copies of one page say the same without being witnesses of their own: each column counts once.
        _, own = np.unique(
            np.stack([numbers.astype(np.uint64), columns.astype(np.uint64), seeds]), axis=1, return_index=True
        )
        winners, _, _ = majority(numbers[own], seeds[own], fewest)
    right = seeds == _looked_up(winners, numbers)
    complements = np.bincount(numbers[right & ones], minlength=schedule.count)
    others = np.bincount(numbers[right & ~ones], minlength=schedule.count)
    inverse = frozenset(np.flatnonzero(complements > others).tolist())
    if fewest > 1 and (is_signed or is_mixture(len(inverse), len(winners))):
        # No code checks whether zeros or ones stood there: two thirds must have been one of them.
        clear = 3 * np.maximum(complements, others) >= 2 * (complements + others)
        winners = {number: seed for number, seed in winners.items() if clear[number]}
    return SeedRule("page", frozenset(), schedule, winners, agreeing, counted, inverse)


def is_mixture(ones: int, seen: int) -> bool:
    """Whether of the keystreams that were seen some are the register's output and some its complement."""
    return MIXED < ones / max(1, seen) < 1 - MIXED


def alike_in_a_row(pages: NDArray[np.int64], seeds: NDArray[np.uint64]) -> NDArray[np.int64]:
    """`int64[]`: pages in a row under one keystream, where others have one each.

    A controller may fill a block of its own in another way, and one of a few dozen blocks would refute the rule of all
    others. To leave it out is safe only where the code checks every keystream.
    """
    first = np.flatnonzero(np.r_[True, pages[1:] != pages[:-1]]) if len(pages) else pages
    numbers, values = pages[first], seeds[first]
    begins = np.flatnonzero(np.r_[True, values[1:] != values[:-1]]) if len(first) else first
    lengths = np.diff(np.r_[begins, len(values)])
    alike = np.repeat(lengths >= ROW, lengths)
    return numbers[alike] if alike.mean() <= MOST_ALIKE else numbers[:0]


def _looked_up(winners: dict[int, int], numbers: NDArray[np.int64]) -> NDArray[np.uint64]:
    """`uint64[hits]`: the seed of each number; 0 where it has none."""
    table = np.zeros(int(numbers.max(initial=0)) + 1, np.uint64)
    for number, seed in winners.items():
        table[number] = seed
    return table[numbers]


def _schedule(pages: NDArray[np.int64], seeds: NDArray[np.uint64], known: Schedule | int) -> Schedule | None:
    """Which page has which keystream; what is known already, or the period, counts where the seeds do not tell."""
    if not len(pages):
        return None
    single, agreeing, counted = majority(pages, seeds)
    if counted and agreeing < AGREEMENT * counted:
        return None
    numbers = np.array(sorted(single), np.int64)
    values = np.array([single[number] for number in numbers.tolist()], np.uint64)
    schedule = find_schedule(numbers, values)
    if schedule is not None:
        return schedule
    if isinstance(known, Schedule):
        return known
    shortest, period = shortest_period(pages, seeds), known
    if not period or (shortest and period % shortest == 0):
        period = shortest
    return Schedule(period, 1, 0, 0, agreeing, counted) if period else None
