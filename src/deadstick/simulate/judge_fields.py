"""The fields of a recipe that was found against those of the true one, up to differences that no data can tell.

These count as equal:

- pages of one size are cut in pieces of another, if all data, parity and keystreams fall on the same bits;
- the page is inverted, or the keystream is complemented, if both together add the same to every data bit;
- parity is masked or not, if the code accepts the same words after what is added before it;
- the blocks have another size, or the interleave other words, if the logical pages are in the same places;
- columns without data or parity are metadata or nobody's; fields have other widths, if the blocks are the same.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.page_table import PageKind
from deadstick.rebuild.rebuild import Rebuilt
from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe

CHUNK_BYTES = 8 << 20
"""Of the dumps, compared at a time."""
MOST_PAGES = 1 << 40
"""More than any chip has."""


@dataclass(frozen=True)
class _Places:
    """Where a recipe takes its pages from, in pages of the smaller of two sizes.

    The rows of two recipes cannot be compared, since each counts the chips in its own order, and fills them up to whole
    blocks of its own.

    Attributes:
        small: bytes of such a page.
        recipe: whose places these are.
        space: the rows.
        rebuilt: what the recipe makes of the dumps.
    """

    small: int
    recipe: Recipe
    space: PageSpace
    rebuilt: Rebuilt

    @classmethod
    def of(cls, dumps: Sequence[Dump], recipe: Recipe, rebuilt: Rebuilt, small: int) -> "_Places":
        return cls(small, recipe, PageSpace.of_dumps([dump.array for dump in dumps], recipe), rebuilt)

    @property
    def count(self) -> int:
        """Small pages of a page."""
        return self.recipe.layout.page_bytes // self.small

    def pages_of_chip(self) -> NDArray[np.int64]:
        """`int64[pages]`: every page that tells something, in small pages of its own chip."""
        return self._pieces(self.space.numbers(np.flatnonzero(_tells(self.rebuilt))))

    def of_disk(self) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """Of each small page of the disk: the place that it comes from, -1 for none, and whether it tells something."""
        rows = self.rebuilt.block_table.physical
        held = np.flatnonzero(rows >= 0)
        places = np.full(len(rows), -1, np.int64)
        tells = np.zeros(len(rows), np.bool_)
        lanes = sorted(self.recipe.interleave.chips)
        names = np.array([lanes.index(chip) for chip in self.recipe.interleave.chips], np.int64)
        places[held] = names[self.space.chip(rows[held])] * MOST_PAGES + self.space.numbers(rows[held])
        tells[held] = _tells(self.rebuilt)[rows[held]]
        return self._pieces(places), np.repeat(tells, self.count)

    def _pieces(self, pages: NDArray[np.int64]) -> NDArray[np.int64]:
        pieces = pages[:, None] * self.count + np.arange(self.count, dtype=np.int64)
        pieces[pages < 0] = -1
        return pieces.reshape(-1)


@dataclass(frozen=True, slots=True)
class Difference:
    """A field that differs.

    Attributes:
        words: for a person.
        is_claimed: whether the found recipe says something that is not so. A keystream that it calls unknown says
            nothing.
    """

    words: str
    is_claimed: bool = True


def _tells(rebuilt: Rebuilt) -> NDArray[np.bool_]:
    """`bool[rows]`: pages with something that decodes; in a bad block that reads as zeros nothing does as a rule."""
    table = rebuilt.page_table
    written = np.isin(table.kind, (PageKind.DATA, PageKind.CONSTANT))
    decodes: NDArray[np.bool_] = written & (table.lost_codewords < table.errors.shape[1])
    return decodes


def differences(
    dumps: Sequence[Dump], true: Recipe, found: Recipe, reference: Rebuilt, candidate: Rebuilt
) -> list[Difference]:
    """Fields that differ beyond what no data can tell.

    Args:
        dumps: that both are about.
        true: what the controller did.
        found: what the solver says.
        reference: the dumps rebuilt by the true recipe.
        candidate: the same by the found one.
    """
    if sorted(true.interleave.chips) != sorted(found.interleave.chips):
        return [Difference(f"bus: {_joined(found)} instead of {_joined(true)}")]
    sizes = true.layout.page_bytes, found.layout.page_bytes
    run = max(sizes)
    if run % min(sizes):
        return [Difference(f"page: {sizes[1]} bytes instead of {sizes[0]}")]
    differing = [Difference(words) for words in _code_differences(true, found)]
    for part in (Part.DATA, Part.PARITY):
        ours, theirs = (run_bits(recipe, part, run // recipe.layout.page_bytes) for recipe in (true, found))
        if not np.array_equal(ours, theirs):
            differing.append(Difference(f"{part}: in other columns, or in another order"))
    if differing:
        return differing
    small = min(sizes)
    right = _Places.of(dumps, true, reference, small)
    other = _Places.of(dumps, found, candidate, small)
    wrong, claimed, pages = _wrong_keystreams(right, other)
    if wrong:
        words = f"keystream: wrong or unknown under {wrong} of {pages} written pages"
        differing.append(Difference(words, is_claimed=claimed > 0))
    if _places_differ(right, other):
        spread = "" if true.interleave.is_none and found.interleave.is_none else f"; {found.interleave.describe()}"
        words = f"translation: {found.translation.describe()}; {found.pages_per_block} pages a block{spread}"
        differing.append(Difference(words))
    return differing


def _joined(recipe: Recipe) -> str:
    return "; ".join(" and ".join(map(str, lanes)) for lanes in sorted(recipe.interleave.chips))


def _code_differences(true: Recipe, found: Recipe) -> list[str]:
    ours, theirs = true.code, found.code
    if ours is None or theirs is None:
        return [] if ours is theirs else ["code: " + ("not found" if ours else "found where there is none")]
    same = ours.bit_order == theirs.bit_order and (
        replace(ours, inverted=theirs.inverted, erased_is_codeword=theirs.erased_is_codeword) == theirs
        or (ours.family == theirs.family == "bch" and ours.bch.generator == theirs.bch.generator)
    )
    return [] if same else [f"code: {theirs.describe()} instead of {ours.describe()}"]


def run_bits(recipe: Recipe, part: Part, pages: int) -> NDArray[np.int64]:
    """Where the bits of a part lie in a run of pages.

    Args:
        recipe: with the layout.
        part: data, in the order in which they are data, or parity, codeword by codeword; bits that only fill the
            parity up to a whole byte are left out.
        pages: length of the run.

    Returns:
        `int64[bits]`: positions in the run's bit stream.
    """
    layout = recipe.layout
    pieces: list[NDArray[np.int64]] = []
    if part is Part.PARITY:
        for codeword in layout.codewords:
            stored = [np.arange(span.start, span.end) for span in codeword.parity]
            bits = recipe.code.parity_bits if recipe.code else 0
            pieces += [np.concatenate([*stored, np.empty(0, np.int64)])[:bits]]
    else:
        rows = [codeword.message for codeword in layout.codewords]
        placed = [
            (target.first, span)
            for row, targets in zip(rows, layout.targets, strict=False)
            for span, target in zip(row, targets, strict=True)
            if span.part is part
        ]
        pieces += [np.arange(span.start, span.end) for _, span in sorted(placed, key=lambda item: item[0])]
    one = np.concatenate([*pieces, np.empty(0, np.int64)])
    steps = 8 * layout.page_bytes * np.arange(pages, dtype=np.int64)
    bits_of_run: NDArray[np.int64] = (steps[:, None] + one).reshape(-1)
    return bits_of_run


def _wrong_keystreams(true: _Places, found: _Places) -> tuple[int, int, int]:
    """Small pages that decode to data under another keystream, those where it is not called unknown, and all."""
    pages, small, count = true.pages_of_chip(), true.small, true.count
    data = _data_bits_of_columns(true.recipe).reshape(count, small)
    wrong, claimed, step = 0, 0, max(1, CHUNK_BYTES // small)
    for first in range(0, len(pages), step):
        chosen = pages[first : first + step]
        ours, theirs = (_added(places.recipe, chosen, places.count) for places in (true, found))
        differs = ((ours ^ theirs) & data[chosen % count]).any(axis=1)
        wrong += int(differs.sum())
        claimed += int((differs & ~_unknown(found.recipe, chosen // found.count)).sum())
    return wrong, claimed, len(pages)


def _unknown(recipe: Recipe, pages: NDArray[np.int64]) -> NDArray[np.bool_]:
    """`bool[pages]`: those under a keystream that a recipe calls unknown."""
    if recipe.scrambler is None:
        return np.zeros(len(pages), np.bool_)
    unknown: NDArray[np.bool_] = recipe.scrambler.keystreams.unknown
    return unknown[recipe.scrambler.index(pages, recipe.pages_per_block)]


def _data_bits_of_columns(recipe: Recipe) -> NDArray[np.uint8]:
    """`uint8[page_bytes]`: which bits of each column of a page are data."""
    stream = np.zeros(8 * recipe.layout.page_bytes, np.uint8)
    stream[run_bits(recipe, Part.DATA, 1)] = 1
    return in_code_order(np.packbits(stream), recipe.code.bit_order if recipe.code else "msb")


def _added(recipe: Recipe, pieces: NDArray[np.int64], count: int) -> NDArray[np.uint8]:
    """`uint8[pieces, bytes]`: what is added to pieces of pages, `count` of them to a page, inversion included."""
    pages, place = np.divmod(pieces, count)
    flip = np.uint8(0xFF if recipe.code is not None and recipe.code.inverted else 0)
    size = recipe.layout.page_bytes // count
    if recipe.scrambler is None:
        return np.full((len(pieces), size), flip)
    masks = recipe.scrambler.masks(recipe.layout).reshape(-1, count, size)
    return masks[recipe.scrambler.index(pages, recipe.pages_per_block), place] ^ flip


def _places_differ(true: _Places, found: _Places) -> bool:
    """Whether a logical page that is written comes from another place."""
    (ours, tells), (theirs, _) = true.of_disk(), found.of_disk()
    rows = np.flatnonzero(tells)
    inside = rows < len(theirs)
    return not inside.all() or bool((ours[rows] != theirs[rows]).any())
