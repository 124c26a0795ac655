"""Which page has which keystream: from the seeds of single pages to a rule over place and block.

The keystream of a page is number `(page_step * place + block_step * block) mod count`, where `place` is the page's place
in its block. Pages with equal seeds tell the three numbers and the block size apart from any knowledge of the seeds:

- the seed of the next page follows from that of this one, save at the border of a block;
- pages of one block with equal seeds lie a multiple of `count / gcd(page_step, count)` apart;
- pages of neighbouring blocks with equal seeds lie apart what `block_step` makes up for.

All steps may be multiplied by a number without changing the rule but for the numbering of the seeds, so a page step that
is prime to the count is 1 without loss.
"""

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

MOST_KEYSTREAMS = 1024
AGREEMENT = 0.985
MULTIPLES = 0.95
FEWEST_PAIRS = 4
MOST_LAG = 4
BLOCKS = (16, 1024)
ALIGNED = 0.9
SPAN = 4
"""Blocks that may lie between two whose seeds are compared."""


@dataclass(frozen=True, slots=True)
class Schedule:
    """A rule.

    Attributes:
        count: keystreams.
        page_step: see above.
        block_step: see above.
        pages_per_block: pages in a block; 0 where the number of the page on the chip alone matters.
        agreeing: pages whose seed is that of the others with their number.
        counted: pages that could have disagreed.
    """

    count: int
    page_step: int
    block_step: int
    pages_per_block: int
    agreeing: int
    counted: int

    def index(self, pages: NDArray[np.int64]) -> NDArray[np.int64]:
        """The keystream of each page, `int64[pages]` -> `int64[pages]`.

        >>> Schedule(16, 1, 5, 64, 0, 0).index(np.array([0, 63, 64, 65]))
        array([ 0, 15,  5,  6])
        """
        if not self.pages_per_block:
            return pages % self.count
        block, place = np.divmod(pages, self.pages_per_block)
        index: NDArray[np.int64] = (self.page_step * place + self.block_step * block) % self.count
        return index


def find_schedule(pages: NDArray[np.int64], seeds: NDArray[np.uint64]) -> Schedule | None:
    """The rule with the fewest keystreams that the seeds of single pages obey.

    Args:
        pages: `int64[known]`, page numbers, ascending, each once.
        seeds: `uint64[known]`, the seed of each.

    Returns:
        None where no rule holds.
    """
    if len(pages) < FEWEST_PAIRS:
        return None
    _, labels = np.unique(seeds, return_inverse=True)
    labels = labels.astype(np.int64)
    found = [
        _judged(pages, labels, rule) for size in block_sizes(pages, labels) for rule in _rules(pages, labels, size)
    ]
    found += _periodic(pages, labels)
    good = [rule for rule in found if rule.counted and rule.agreeing >= AGREEMENT * rule.counted]
    good = [rule for rule in good if rule.counted >= len(pages) // 2]
    return min(good, key=lambda rule: (rule.count, rule.pages_per_block, -rule.agreeing), default=None)


def _periodic(pages: NDArray[np.int64], labels: NDArray[np.int64]) -> list[Schedule]:
    """The keystream comes again after so many pages, whatever the blocks."""
    last = int(pages.max())
    label = np.full(last + 1, -1, np.int64)
    label[pages] = labels
    for period in range(1, min(MOST_KEYSTREAMS, last) + 1):
        both = (label[period:] >= 0) & (label[:-period] >= 0)
        pairs = int(both.sum())
        equal = int((label[period:] == label[:-period])[both].sum())
        if pairs >= max(FEWEST_PAIRS, len(pages) // 8) and equal >= AGREEMENT * pairs:
            # Neighbours alike are not enough: a keystream for each block makes most neighbours alike, too.
            rule = _judged(pages, labels, Schedule(period, 1, 0, 0, 0, 0))
            if rule.agreeing >= AGREEMENT * rule.counted:
                return [rule]
    return []


def block_sizes(pages: NDArray[np.int64], labels: NDArray[np.int64]) -> list[int]:
    """Block sizes at whose borders the usual order of the seeds breaks off, the likeliest first."""
    found: dict[int, int] = {}
    for lag in range(1, MOST_LAG + 1):
        here = np.flatnonzero(np.isin(pages + lag, pages))
        there = np.searchsorted(pages, pages[here] + lag)
        usual = _usual_next(labels[here], labels[there])
        broken = pages[there[usual[labels[here]] != labels[there]]]
        # A break lies between two pages: at lag 1 the later one begins a block, at more the border is one of several.
        for shift in range(lag):
            step = _common_step(broken - shift)
            if step:
                found[step] = found.get(step, 0) + len(broken)
    return sorted(found, key=lambda size: -found[size])[:6]


def _usual_next(here: NDArray[np.int64], there: NDArray[np.int64]) -> NDArray[np.int64]:
    """`int64[labels]`: the seed that most often follows each."""
    size = int(max(here.max(initial=0), there.max(initial=0))) + 1
    codes, counts = np.unique(here * size + there, return_counts=True)
    usual = np.full(size, -1, np.int64)
    order = np.argsort(counts, kind="stable")
    usual[codes[order] // size] = codes[order] % size
    return usual


def _rules(pages: NDArray[np.int64], labels: NDArray[np.int64], size: int) -> Iterator[Schedule]:
    """Rules for one block size."""
    block, place = np.divmod(pages, size)
    order = np.lexsort((place, block, labels))
    same = labels[order][1:] == labels[order][:-1]
    blocks = np.diff(block[order])[same]
    places = np.diff(place[order])[same]
    inside = _modulus(places[blocks == 0])
    if inside == 1:
        # One keystream in a block: only the block counts.
        yield from (Schedule(count, 0, 1, size, 0, 0) for count in _moduli(block, labels))
        return
    for apart in range(1, SPAN + 1):
        between = -places[blocks == apart]
        if len(between) < FEWEST_PAIRS:
            continue
        for shift in _likeliest(between, inside):
            counts = _moduli(apart * place + shift * block, labels)
            yield from (Schedule(count, apart, shift % count, size, 0, 0) for count in counts)
            if apart > 1:
                within = inside or next(iter(_moduli(place + shift * (block // apart), labels)), 0)
                yield from _spread_over(within, shift, apart, size)
        return


def _spread_over(inside: int, shift: int, apart: int, size: int) -> Iterator[Schedule]:
    """Blocks of several kinds that share no keystream: the page step divides the count."""
    count = inside * apart
    if 0 < count <= MOST_KEYSTREAMS:
        yield from (Schedule(count, apart, (shift + inside * turn) % count, size, 0, 0) for turn in range(apart))


def _likeliest(values: NDArray[np.int64], modulus: int) -> list[int]:
    """The most frequent values, modulo a number unless that is 0."""
    found, counts = np.unique(values % modulus if modulus else values, return_counts=True)
    return [int(value) for value in found[np.argsort(-counts, kind="stable")][:3]]


def _common_step(places: NDArray[np.int64]) -> int:
    """The largest block size of which nearly all places are multiples; 0 where there is none."""
    places = places[places > 0]
    if len(places) < FEWEST_PAIRS:
        return 0
    sizes = np.arange(BLOCKS[0], BLOCKS[1] + 1)
    share = (places[:4096, None] % sizes == 0).mean(axis=0)
    return int(sizes[share >= ALIGNED].max(initial=0))


def _modulus(values: NDArray[np.int64]) -> int:
    """The largest number of which nearly all values are multiples; 0 where there are too few."""
    values = np.abs(values[values != 0])
    if len(values) < FEWEST_PAIRS:
        return 0
    numbers = np.arange(1, MOST_KEYSTREAMS + 1)
    share = (values[:4096, None] % numbers == 0).mean(axis=0)
    return int(numbers[share >= MULTIPLES].max(initial=0))


def _moduli(numbers: NDArray[np.int64], labels: NDArray[np.int64]) -> list[int]:
    """Counts under which pages with equal seeds have equal numbers."""
    order = np.lexsort((numbers, labels))
    same = labels[order][1:] == labels[order][:-1]
    modulus = _modulus(np.diff(numbers[order])[same])
    return [modulus] if modulus else []


def _judged(pages: NDArray[np.int64], labels: NDArray[np.int64], rule: Schedule) -> Schedule:
    """The rule with how well it holds."""
    index = rule.index(pages)
    size = int(labels.max()) + 1
    codes, counts = np.unique(index * size + labels, return_counts=True)
    group = codes // size
    total = np.bincount(group, weights=counts)
    best = np.zeros(len(total))
    np.maximum.at(best, group, counts)
    several = total > 1
    return Schedule(
        rule.count,
        rule.page_step,
        rule.block_step,
        rule.pages_per_block,
        int(best[several].sum()),
        int(total[several].sum()),
    )
