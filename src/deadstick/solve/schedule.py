"""Which page has which keystream: from the seeds of single pages to a rule over place and block.

The keystream of a page is number `(page_step * place + block_step * block) mod count`, where `place` is the page's
place in its block. Pages with equal seeds tell the three numbers and the block size apart from any knowledge of the
seeds:

- the seed of the next page follows from that of this one, save at the border of a block;
- pages with equal seeds lie apart by steps of places and blocks that are a lattice in the plane, the kernel of the
  rule.

All steps may be multiplied by a number without changing the rule but for the numbering of the seeds, so a page step
that is prime to the count is 1 without loss.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace
from math import gcd

import numpy as np
from numpy.typing import NDArray

MOST_KEYSTREAMS = 1024
AGREEMENT = 0.985
SLACK = 0.002
"""Rules that hold better by less than this are no better."""
MOST_STEPS = 64
MOST_PAGES = 6000
SURE_SHARE = 0.999
UNSEEN = 3
"""Keystreams of a rule for each seed that was seen: more would explain anything."""
WELL_SEEN = 16
"""Pages for each keystream from which on a rule may have more: a short register has few seeds, which come twice."""
SPANNED = 0.3
"""Share of the steps that must have been seen before a lattice is worth a look."""
FEWEST_PAIRS = 4
MOST_LAG = 4
BLOCKS = (16, 1024)
ALIGNED = 0.9

Lattice = tuple[int, int, int]
"""All sums of (d, 0) and (s, t), as (d, s, t); a zero where there is no such vector yet."""


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
        is_open: not every keystream came again in another block, so that `count` may be too small for pages beyond
            those that were seen.
        rivals: other block sizes under which the same rule holds as well, where too few pages near the borders show.
    """

    count: int
    page_step: int
    block_step: int
    pages_per_block: int
    agreeing: int
    counted: int
    is_open: bool = False
    rivals: tuple[int, ...] = ()

    @property
    def share(self) -> float:
        """Of the pages that could have disagreed, those that agree."""
        return self.agreeing / max(1, self.counted)

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


def find_schedule(pages: NDArray[np.int64], seeds: NDArray[np.uint64], agreement: float = AGREEMENT) -> Schedule | None:
    """The rule with the fewest keystreams that the seeds of single pages obey.

    Args:
        pages: `int64[known]`, page numbers, ascending, each once.
        seeds: `uint64[known]`, the seed of each.
        agreement: share of the pages that must obey.

    Returns:
        None where no rule holds.
    """
    if len(pages) < FEWEST_PAIRS:
        return None
    _, labels = np.unique(seeds, return_inverse=True)
    labels = labels.astype(np.int64)
    likely = block_sizes(pages, labels)
    found = _periodic(pages, labels)
    found += [_judged(pages, labels, rule) for size in likely for rule in _rules(pages, labels, size)]
    best = _best(found, labels, agreement)
    if best is None or best.count > labels.max() + 1 or best.share < SURE_SHARE:
        # A part of the pages is enough to dismiss nearly all other block sizes.
        some, part = pages[:MOST_PAGES], labels[:MOST_PAGES]
        others = (_judged(some, part, rule) for size in _other_sizes(likely) for rule in _rules(some, part, size))
        found += [_judged(pages, labels, rule) for rule in others if _is_good(rule, part, agreement)]
        best = _best(found, labels, agreement)
    return best


def _other_sizes(likely: list[int]) -> list[int]:
    return [size for size in range(BLOCKS[0], BLOCKS[1] + 1) if size not in likely]


def _holds(rule: Schedule, labels: NDArray[np.int64], agreement: float) -> bool:
    """Whether a rule holds, and was put to the test by most pages."""
    return rule.agreeing >= agreement * rule.counted and 2 * rule.counted >= len(labels)


def _is_good(rule: Schedule, labels: NDArray[np.int64], agreement: float) -> bool:
    """Whether a rule holds that has not too many keystreams for the seeds that were seen."""
    return rule.count <= UNSEEN * (int(labels.max()) + 1) and _holds(rule, labels, agreement)


def _best(found: list[Schedule], labels: NDArray[np.int64], agreement: float) -> Schedule | None:
    """The rule with the fewest keystreams of those that hold as well as any."""
    good = [rule for rule in found if _is_good(rule, labels, agreement)]
    if not good:
        good = [r for r in found if r.counted >= WELL_SEEN * r.count and _holds(r, labels, agreement)]
    top = max((rule.share for rule in good), default=0.0)
    good = [rule for rule in good if rule.share >= top - SLACK]
    best = min(good, key=_order, default=None)
    if best is None or not best.pages_per_block:
        return best
    alike = {
        rule.pages_per_block
        for rule in good
        if (rule.count, rule.page_step, rule.block_step) == (best.count, best.page_step, best.block_step)
    }
    return replace(best, rivals=tuple(sorted(alike - {best.pages_per_block, 0}, key=_oddness)))


def _order(rule: Schedule) -> tuple[bool, int, tuple[int, int], int]:
    return rule.is_open, rule.count, _oddness(rule.pages_per_block), -rule.agreeing


def _oddness(size: int) -> tuple[int, int]:
    """Block sizes that are common come first, then smaller ones."""
    power = size & -size
    return (0 if size in (power, 3 * power) else 1 if size % 16 == 0 else 2, size)


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
    """Rules for one block size.

    Two pages with one keystream lie apart by (places, blocks) with page_step * places + block_step * blocks = 0 modulo
    the count. All such steps are a lattice in the plane, and the steps that are seen most often span it. Steps that
    are none of its (seeds that are equal by accident) are rare and come last.
    """
    order = np.lexsort((pages, labels))
    same = labels[order][1:] == labels[order][:-1]
    block, place = np.divmod(pages[order], size)
    steps = np.stack([np.diff(place)[same], np.diff(block)[same]], axis=1)
    if not len(steps):
        return
    codes, counts = np.unique(steps[:, 1] * (4 * size) + steps[:, 0] + 2 * size, return_counts=True)
    often = codes[np.argsort(-counts, kind="stable")[:MOST_STEPS]]
    lattice: Lattice = (0, 0, 0)
    seen = 0.0
    for code, count in zip(often.tolist(), sorted(counts.tolist(), reverse=True), strict=False):
        blocks, places = divmod(code, 4 * size)
        before, lattice = lattice, _with_step(lattice, places - 2 * size, blocks)
        if lattice != before and seen >= SPANNED:
            yield from _of_lattice(before, size)
        seen += count / len(steps)
        if lattice[0] * lattice[2] == 1:
            return
    if lattice[0] * lattice[2]:
        yield from _of_lattice(lattice, size)
    else:
        yield from (replace(rule, is_open=True) for rule in _of_lattice(_closed(lattice, int(block.max()), size), size))


def _closed(lattice: Lattice, last: int, size: int) -> Lattice:
    """A lattice that too few steps span, with the one that keeps all pages apart in the blocks up to the last."""
    d, s, t = lattice
    if t == 1:
        return size + abs(s) * last, s, t
    # Places and blocks count in one number only where the two have no factor in common.
    return (d, 0, next(t for t in range(last + 1, last + d + 2) if gcd(t, d) == 1)) if d and not t else (0, 0, 0)


def _with_step(lattice: Lattice, x: int, y: int) -> Lattice:
    """The lattice that a further vector spans.

    >>> _with_step(_with_step((0, 0, 0), 16, 0), -5, 1)
    (16, 11, 1)
    """
    d, s, t = lattice
    while y:
        x, y, s, t = s - (t // y) * x, t % y, x, y
        # (s, t) is now the shorter one of the two; go on until the other has no second part.
    d = gcd(d, abs(x))
    if t < 0:
        s, t = -s, -t
    return d, s % d if d else s, t


def _of_lattice(lattice: Lattice, size: int) -> Iterator[Schedule]:
    """The rule whose kernel a lattice is, if there is one."""
    d, s, t = lattice
    count = d * t
    if not 0 < count <= MOST_KEYSTREAMS:
        return
    # page_step * d = 0 and page_step * s + block_step * t = 0 modulo d * t.
    for turn in range(t):
        block_step = (-s + d * turn) % count
        if gcd(gcd(t, block_step), count) == 1:
            # Where the numbers go on from one block to the next without a break, blocks do not matter.
            free = t == 1 and (size - block_step) % count == 0
            yield Schedule(count, 1, 0, 0, 0, 0) if free else Schedule(count, t % count, block_step, size, 0, 0)
            return


def _common_step(places: NDArray[np.int64]) -> int:
    """The largest block size of which nearly all places are multiples; 0 where there is none."""
    places = places[places > 0]
    if len(places) < FEWEST_PAIRS:
        return 0
    sizes = np.arange(BLOCKS[0], BLOCKS[1] + 1)
    share = (places[:4096, None] % sizes == 0).mean(axis=0)
    return int(sizes[share >= ALIGNED].max(initial=0))


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
    return replace(rule, agreeing=int(best[several].sum()), counted=int(total[several].sum()))
