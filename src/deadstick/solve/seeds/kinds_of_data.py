"""Kinds of packed data, told apart by how often each value of a byte comes.

Sectors of all packed formats together are nearly random: what one format has too many of, another has too few of. Told
apart they say more. In the coded data of pictures a byte FFh is rare, and in half of all sectors it is not. So sectors
are dealt to kinds under which they are the likeliest, and the kinds are fitted to their sectors in turn (G. Celeux and
G. Govaert, Computational Statistics and Data Analysis 14, 1992: the classification EM algorithm). A kind falls in two
along the direction in which its sectors differ most, as long as that explains more than the numbers that it takes
(G. Schwarz, Annals of Statistics 6, 1978).
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.spread import evenly

MOST_KINDS, MOST_SECTORS, MOST_TURNS = 6, 8000, 40
CLEARLY = 4.0
"""Standard deviations by which a value must be rarer or more frequent than among random bytes."""

Bytes = NDArray[np.uint8]
Rates = NDArray[np.float64]
"""`float64[256]`: how often each value comes, by how often it does among random bytes, with a mean of 1."""


def kinds_of_data(sectors: Bytes) -> tuple[Rates, ...]:
    """The kinds that sectors are of, but for what is as good as random.

    Args:
        sectors: `uint8[sectors, bytes]`, data that pass for random.

    Returns:
        The most frequent kind first.
    """
    sectors = sectors[evenly(len(sectors), MOST_SECTORS)]
    if not len(sectors):
        return ()
    counts = _counts(sectors)
    labels = _parted(counts)
    sums = [counts[labels == kind].sum(axis=0, dtype=np.float64) for kind in np.unique(labels)]
    found = (_rates(one) for one in sorted(sums, key=lambda one: -one.sum()))
    return tuple(rates for rates in found if np.ptp(rates))


def evidence(sectors: Bytes, kinds: tuple[Rates, ...]) -> NDArray[np.float64]:
    """`float64[sectors]`: logarithms of how much likelier each is if of one of the kinds, or random, than if random."""
    counts = _counts(sectors).astype(np.float64)
    of_kinds = [counts @ np.log(rates) for rates in kinds]
    told: NDArray[np.float64] = np.logaddexp.reduce([np.zeros(len(counts)), *of_kinds], axis=0)
    told -= np.log(1 + len(kinds))
    return told


def _counts(sectors: Bytes) -> NDArray[np.float32]:
    """`float32[sectors, 256]`: how often each sector has each value."""
    places = 256 * np.arange(len(sectors))[:, None] + sectors
    return np.bincount(places.reshape(-1), minlength=256 * len(sectors)).reshape(-1, 256).astype(np.float32)


def _rates(counts: NDArray[np.float64]) -> Rates:
    expected = counts.sum() / 256
    is_clear = np.abs(counts - expected) > CLEARLY * np.sqrt(expected)
    # One time more, as none is impossible because it was not seen.
    rates: Rates = np.where(is_clear, (counts + 1) / (expected + 1), 1.0)
    rates /= rates.mean()
    return rates


def _parted(counts: NDArray[np.float32]) -> NDArray[np.int64]:
    """`int64[sectors]`: the kind of each."""
    labels = np.zeros(len(counts), np.int64)
    explained = _explained(counts, labels)
    # For each further rate half the logarithm of the number of sectors, by Schwarz.
    price = 256 / 2 * np.log(len(counts))
    whole: set[int] = set()
    while len(sizes := np.bincount(labels)) < MOST_KINDS and len(whole) < len(sizes):
        largest = max(set(range(len(sizes))) - whole, key=lambda kind: int(sizes[kind]))
        halves = _fitted(counts, _halved(counts, labels, largest))
        better = _explained(counts, halves)
        if better > explained + price:
            labels, explained, whole = halves, better, set()
        else:
            whole.add(largest)
    return labels


def _halved(counts: NDArray[np.float32], labels: NDArray[np.int64], kind: int) -> NDArray[np.int64]:
    """The kinds with one of them in two halves, along its first principal component."""
    own = np.flatnonzero(labels == kind)
    mean = counts[own].mean(axis=0)
    # Counts vary as much as their mean, where nothing but chance does it.
    apart = (counts[own] - mean) / np.sqrt(mean + 1 / len(own))
    along = apart @ np.linalg.eigh(apart.T @ apart)[1][:, -1]
    halves = labels.copy()
    halves[own[along > 0]] = labels.max() + 1
    return halves


def _fitted(counts: NDArray[np.float32], labels: NDArray[np.int64]) -> NDArray[np.int64]:
    """Every sector under the kind that makes it likeliest, until none changes its kind; kinds may end without any."""
    for _ in range(MOST_TURNS):
        better = _likelihoods(counts, labels).argmax(axis=1)
        if (better == labels).all():
            break
        labels = np.unique(better, return_inverse=True)[1]
    return labels


def _likelihoods(counts: NDArray[np.float32], labels: NDArray[np.int64]) -> NDArray[np.float64]:
    """`float64[sectors, kinds]`: logarithms of how likely each sector is, and of that kind."""
    sizes = np.bincount(labels)
    # Half a time more, for the same reason.
    sums = np.array([counts[labels == kind].sum(axis=0, dtype=np.float64) for kind in range(len(sizes))]) + 0.5
    shares = sums / sums.sum(axis=1, keepdims=True)
    likely: NDArray[np.float64] = counts.astype(np.float64) @ np.log(shares).T + np.log(sizes / len(labels))
    return likely


def _explained(counts: NDArray[np.float32], labels: NDArray[np.int64]) -> float:
    """The logarithm of how likely all sectors are, whichever kind each is of."""
    return float(np.logaddexp.reduce(_likelihoods(counts, labels), axis=1).sum())
