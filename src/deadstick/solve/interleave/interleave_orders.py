"""The interleaves that are tried, the simplest first."""

from collections.abc import Iterable, Iterator, Sequence
from itertools import permutations

from deadstick.recipe.interleave import By, Interleave, Numbers, Unit
from deadstick.solve.hints.hints import InterleaveHint

PLANES = (1, 2, 4)
MOST_PERMUTED = 4
"""Chips whose orders are all tried; more are taken as they were given, and the other way round."""
WAYS: tuple[By, ...] = ("page", "block")
COUNTS: tuple[Numbers, ...] = ("own", "common")

Chips = tuple[tuple[int, ...], ...]


def unmixed(chips: Chips) -> Interleave:
    """The chips one after another, or one chip as it is."""
    if len(chips) == 1:
        return Interleave(chips)
    return Interleave(chips, 1, tuple((chip, 0) for chip in range(len(chips))), "block", "common")


def planes_of(known: InterleaveHint) -> Sequence[int]:
    """Numbers of planes that come into question."""
    return PLANES if known.planes is None else (known.planes,)


def groups_of(known: InterleaveHint, chips: Chips, planes: int) -> Sequence[Iterable[Interleave]]:
    """What comes into question with a number of planes, in groups whose interleaves count blocks alike.

    Args:
        known: of the interleave; what says something else is left out.
        chips: the dumps of each.
        planes: of each chip.
    """
    groups = [tuple(orders(chips, planes)), tuple(common_orders(chips, planes))]
    groups.append(tuple(successions(chips)) if planes == 1 else ())
    if known.order is not None:
        groups = [tuple(Interleave(chips, planes, known.order, by, count) for by in WAYS) for count in COUNTS]
    kept = [tuple(interleave for interleave in group if known.fits(interleave)) for group in groups]
    if any(kept):
        return [group for group in kept if group]
    units = tuple((chip, plane) for plane in range(planes) for chip in range(len(chips)))
    return [(Interleave(chips, planes, units, known.by or "page", known.numbers or "own"),)]


def orders(chips: Chips, planes: int) -> Iterator[Interleave]:
    """Interleaves whose units count their blocks for themselves."""
    if len(chips) * planes == 1:
        return
    for by in WAYS:
        for order in _unit_orders(len(chips), planes):
            yield Interleave(chips, planes, order, by)


def common_orders(chips: Chips, planes: int) -> Iterator[Interleave]:
    """Interleaves by page whose logical numbers, counted over all units, say the order themselves."""
    if len(chips) * planes > 1:
        units = tuple((chip, plane) for plane in range(planes) for chip in range(len(chips)))
        yield Interleave(chips, planes, units, "page", "common")


def successions(chips: Chips) -> Iterator[Interleave]:
    """Chips one after another, in other orders than that of their dumps."""
    for order in _chip_orders(len(chips)):
        if order != tuple(range(len(chips))):
            yield Interleave(chips, 1, tuple((chip, 0) for chip in order), "block", "common")


def _unit_orders(chips: int, planes: int) -> Iterator[tuple[Unit, ...]]:
    """Chips in any order, planes rising or falling, either of the two changing faster."""
    rising = tuple(range(planes))
    for sequence in dict.fromkeys((rising, rising[::-1])):
        for order in _chip_orders(chips):
            yield tuple((chip, plane) for plane in sequence for chip in order)
            if chips > 1 and planes > 1:
                yield tuple((chip, plane) for chip in order for plane in sequence)


def _chip_orders(chips: int) -> Iterator[tuple[int, ...]]:
    natural = tuple(range(chips))
    if chips <= MOST_PERMUTED:
        yield from permutations(natural)
    else:
        yield from (natural, natural[::-1])
