"""Which page has which keystream, from the seeds of single pages: the rule with the fewest keystreams that they obey.

The seed of the next page follows from that of this one, save at the border of a block: that shows likely block sizes.
For each of them the pages with equal seeds give rules (`step_lattice`), and every rule is judged by how many pages have
the seed of the others with their number. Where none of them is beyond doubt, every other block size is tried. For
seeds of a register, which may come twice, the steps after which they are always the same are looked for at last
(`lasting_steps`).
"""

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.solve.common.chance import log10_tail
from deadstick.solve.keystream.lasting_steps import Labelled, rules_of_lasting
from deadstick.solve.keystream.schedule import MOST_KEYSTREAMS, Schedule, judged, parted
from deadstick.solve.keystream.step_lattice import rules_of

AGREEMENT = 0.985
SLACK = 0.002
"""Rules that hold better by less than this are no better."""
FREEDOM = 10
"""Further keystreams that let a rule explain one page more without being any better: the pages of a keystream whose
labels are not all the same fall apart into those of two, and some of them are no longer put to the test."""
MOST_PAGES = 6000
SURE_SHARE = 0.999
UNSEEN = 3
"""Keystreams of a rule for each seed that was seen: more would explain anything."""
WELL_SEEN = 16
"""Pages for each keystream from which on a rule may have more: a short register has few seeds, which come twice."""
ACCIDENT = -6.0
"""Logarithm of the chance that seeds come again inside a block by accident, over all numbers of keystreams."""
FEWEST_PAIRS = 4
MOST_LAG = 4
BLOCKS = (16, 1024)
ALIGNED = 0.9


def find_schedule(
    pages: NDArray[np.int64], seeds: NDArray[np.uint64], agreement: float = AGREEMENT, *, may_come_twice: bool = False
) -> Schedule | None:
    """The rule with the fewest keystreams that the seeds of single pages obey.

    Args:
        pages: `int64[known]`, page numbers, ascending, each once.
        seeds: `uint64[known]`, the seed of each.
        agreement: share of the pages that must obey.
        may_come_twice: these are seeds of a register, of which a short one has few, and not labels of keystreams: look
            for rules with far more keystreams than seeds as well, which takes a minute where there is none.

    Returns:
        None where no rule holds.
    """
    if len(pages) < FEWEST_PAIRS:
        return None
    _, labels = np.unique(seeds, return_inverse=True)
    labels = labels.astype(np.int64)
    likely = _block_sizes(pages, labels)
    found = _periodic(pages, labels)
    found += [judged(pages, labels, rule) for size in likely for rule in rules_of(pages, labels, size)]
    best = _best(found, pages, labels, agreement)
    if best is None or best.count > labels.max() + 1 or best.share < SURE_SHARE:
        # A part of the pages is enough to dismiss nearly all other block sizes.
        some, part = pages[:MOST_PAGES], labels[:MOST_PAGES]
        others = (judged(some, part, rule) for size in _other_sizes(likely) for rule in rules_of(some, part, size))
        found += [judged(pages, labels, rule) for rule in others if _is_good(rule, part, agreement)]
        best = _best(found, pages, labels, agreement)
    if may_come_twice and best is None and len(pages) >= WELL_SEEN * (int(labels.max()) + 1):
        best = _best(_of_repeats(pages, labels, agreement), pages, labels, agreement)
    return best


def _of_repeats(pages: NDArray[np.int64], labels: NDArray[np.int64], agreement: float) -> list[Schedule]:
    """Rules whose keystreams are more than the seeds."""
    labelled = Labelled(pages, labels, agreement)
    sizes = range(BLOCKS[0], BLOCKS[1] + 1)
    return [judged(pages, labels, rule) for size in sizes for rule in rules_of_lasting(labelled, size)]


def _other_sizes(likely: list[int]) -> list[int]:
    return [size for size in range(BLOCKS[0], BLOCKS[1] + 1) if size not in likely]


def _holds(rule: Schedule, labels: NDArray[np.int64], agreement: float) -> bool:
    """Whether a rule holds, and was put to the test by most pages."""
    return rule.agreeing >= agreement * rule.counted and 2 * rule.counted >= len(labels)


def _is_good(rule: Schedule, labels: NDArray[np.int64], agreement: float) -> bool:
    """Whether a rule holds that has not too many keystreams for the seeds that were seen."""
    return rule.count <= UNSEEN * (int(labels.max()) + 1) and _holds(rule, labels, agreement)


def _best(
    found: list[Schedule], pages: NDArray[np.int64], labels: NDArray[np.int64], agreement: float
) -> Schedule | None:
    """The rule with the fewest keystreams of those that hold as well as any."""
    good = [rule for rule in found if _is_good(rule, labels, agreement)]
    if not good:
        good = [r for r in found if r.counted >= WELL_SEEN * r.count and _holds(r, labels, agreement)]
    top = max(good, key=lambda rule: rule.share, default=None)
    if top is None:
        return None
    top = _undivided(good, top, pages, labels)
    good = [rule for rule in good if _is_as_good(rule, top)]
    best = min(good, key=_order)
    if not best.pages_per_block:
        return best
    alike = {
        rule.pages_per_block
        for rule in good
        if (rule.count, rule.page_step, rule.block_step) == (best.count, best.page_step, best.block_step)
    }
    return replace(best, rivals=tuple(sorted(alike - {best.pages_per_block, 0}, key=_oddness)))


def _undivided(good: list[Schedule], top: Schedule, pages: NDArray[np.int64], labels: NDArray[np.int64]) -> Schedule:
    """The rule that holds best, or one with fewer keystreams where that holds better only by parting equal seeds.

    Where labels follow from equal stretches, copies of the same data have labels of their own beside those of free
    pages. A rule that deals every keystream to two fits these a little better, however it deals them; but it parts free
    pages that are equal, and so under one keystream. It must explain more pages than it parts.
    """
    apart = parted(pages, labels, top)
    fewer = sorted((rule for rule in good if rule.count < top.count), key=lambda rule: -rule.share)
    for rule in fewer if apart else ():
        more = (rule.counted - rule.agreeing) - (top.counted - top.agreeing)
        if apart - parted(pages, labels, rule) > max(0, more):
            return rule
    return top


def _is_as_good(rule: Schedule, top: Schedule) -> bool:
    """Whether a rule holds as well as the one that holds best, or no worse than its fewer keystreams let it."""
    more = (rule.counted - rule.agreeing) - (top.counted - top.agreeing)
    return rule.share >= top.share - SLACK or more * FREEDOM <= top.count - rule.count


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
            rule = judged(pages, labels, Schedule(period, 1, 0, 0, 0, 0))
            if rule.agreeing >= AGREEMENT * rule.counted:
                return [rule, *_in_blocks(pages, labels, period)]
    return []


def _in_blocks(pages: NDArray[np.int64], labels: NDArray[np.int64], period: int) -> list[Schedule]:
    """The keystreams start anew at every block, and come again inside it, but their seeds are fewer.

    A short register that runs on from keystream to keystream returns to its first seed before the keystreams are
    through. Pages with equal seeds are then no lattice; the order of the seeds in the block still comes again. Only
    where seeds come again before that is this more than an orbit, which any order of its seeds would show.
    """
    votes = np.zeros((period, int(labels.max()) + 1), np.int64)
    np.add.at(votes, (pages % period, labels), 1)
    label = np.where(votes.any(axis=1), votes.argmax(axis=1), -1)
    # The chance that two places have one seed by accident.
    alike = float(((votes.sum(axis=0) / votes.sum()) ** 2).sum())
    for count in range(1, period):
        both = (label[count:] >= 0) & (label[:-count] >= 0)
        pairs, equal = int(both.sum()), int((label[count:] == label[:-count])[both].sum())
        if equal < AGREEMENT * pairs or log10_tail(pairs, equal, alike) + np.log10(period) > ACCIDENT:
            continue
        rule = judged(pages, labels, Schedule(count, 1, 0, period, 0, 0))
        return [rule] if len(np.unique(label[:count])) < count else []
    return []


def _block_sizes(pages: NDArray[np.int64], labels: NDArray[np.int64]) -> list[int]:
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


def _common_step(places: NDArray[np.int64]) -> int:
    """The largest block size of which nearly all places are multiples; 0 where there is none."""
    places = places[places > 0]
    if len(places) < FEWEST_PAIRS:
        return 0
    sizes = np.arange(BLOCKS[0], BLOCKS[1] + 1)
    share = (places[:4096, None] % sizes == 0).mean(axis=0)
    return int(sizes[share >= ALIGNED].max(initial=0))
