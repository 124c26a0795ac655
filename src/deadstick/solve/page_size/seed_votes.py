"""Which seed do most hits of a page or a keystream agree on, and after how many pages do such seeds come again?

A hit may be an accident of the data or misread by a bit error; what most hits say is the seed.
"""

import numpy as np
from numpy.typing import NDArray

AGREEMENT = 0.9
"""Share of the hits, or of the pairs of pages, that must agree."""
LONGEST_PERIOD = 1024


def majority(groups: NDArray[np.int64], seeds: NDArray[np.uint64], fewest: int = 1) -> tuple[dict[int, int], int, int]:
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
    winners, agreeing, counted = majority(pages, seeds)
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
