"""Is a recipe that was found the right one? For campaigns, which know what the controller did.

Two judges, and both must agree. The first goes by the data: the disk that the found recipe rebuilds is compared with
the one that the true recipe rebuilds from the same dump, sector by sector. The second goes by the recipe, field by
field, up to differences that no data can tell:

- pages of one size are cut in pieces of another, if all data, parity and keystreams fall on the same bits;
- the page is inverted, or the keystream is complemented, if both together add the same to every data bit;
- parity is masked or not, if the code accepts the same words after what is added before it;
- the blocks have another size, if the logical pages are in the same places;
- columns without data or parity are metadata or nobody's; fields have other widths, if the blocks are the same.
"""

from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState
from deadstick.rebuild.page_table import PageKind
from deadstick.rebuild.rebuild import Rebuilt, rebuild
from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe

Verdict = Literal["right", "incomplete", "wrong"]

CHUNK_BYTES = 8 << 20
"""Of the dump, or of the disk, compared at a time."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What became of a recipe that was called solved.

    Attributes:
        verdict: `right`: every sector that can be had is right, and no field differs; `wrong`: some sector is claimed
            to be exact, or to be unwritten, and is not what the true recipe gives, or a field differs though all
            data agree; `incomplete`: nothing that is claimed is wrong, but something is missing or only doubtful.
        sectors: that the true recipe brings back, none of their codewords lost.
        right: of them, how many the found recipe brings back.
        wrong_exact: sectors claimed exact, or unwritten, that differ from the truth.
        wrong_doubtful: sectors called doubtful that differ from the truth.
        differences: fields that differ beyond what no data can tell.
    """

    verdict: Verdict
    sectors: int
    right: int
    wrong_exact: int
    wrong_doubtful: int
    differences: tuple[str, ...]

    @property
    def share(self) -> float:
        """Of the sectors that can be had, those that are right; 1 where none can be had."""
        return self.right / self.sectors if self.sectors else 1.0


def judge(dump: Dump, true: Recipe, found: Recipe, disk: NDArray[np.uint8] | None = None) -> Judgement:
    """Compare a found recipe with the true one.

    Args:
        dump: that both are about. Of one that ends inside a page the rest is left out: a recipe that cuts pages in
            pieces has whole ones in it, of which the true recipe knows nothing.
        true: what the controller did.
        found: what the solver says it did.
        disk: `uint8[bytes]`, what the host wrote. Sectors that the true recipe calls exact are then compared with it
            first: a campaign whose own truth is wrong must stop. None where the dump does not hold all of the disk.

    Raises:
        ValueError: the true recipe does not give the disk.
    """
    dump = _whole_pages(dump, max(true.layout.page_bytes, found.layout.page_bytes))
    reference, candidate = rebuild(dump, true), rebuild(dump, found)
    if disk is not None:
        _check_truth(reference.disk, disk)
    counts = _compare(reference.disk, candidate.disk)
    differing = tuple(differences(true, found, reference, candidate))
    verdict: Verdict = "right"
    if counts.wrong_exact or (differing and counts.right == counts.sectors):
        verdict = "wrong"
    elif differing or counts.right < counts.sectors:
        verdict = "incomplete"
    return Judgement(verdict, counts.sectors, counts.right, counts.wrong_exact, counts.wrong_doubtful, differing)


def _whole_pages(dump: Dump, page_bytes: int) -> Dump:
    return Dump(dump.path, dump.array[: len(dump.array) // page_bytes * page_bytes])


# By the data --------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Counts:
    sectors: int
    right: int
    wrong_exact: int
    wrong_doubtful: int


def _compare(true: Disk, found: Disk) -> _Counts:
    count = true.size // SECTOR_BYTES
    common = min(count, found.size // SECTOR_BYTES)
    totals = np.zeros(4, np.int64)
    for first, sectors in _pieces(count):
        had = true.states(first, sectors) != SectorState.LOST
        here = max(0, min(sectors, common - first))
        equal, claimed, doubtful = (np.zeros(sectors, np.bool_) for _ in range(3))
        if here:
            equal[:here] = (_read(true, first, here) == _read(found, first, here)).all(axis=1)
            states = found.states(first, here)
            claimed[:here] = states <= SectorState.UNWRITTEN
            doubtful[:here] = states == SectorState.DOUBTFUL
        wrong = had & ~equal
        totals += [had.sum(), (had & equal).sum(), (wrong & claimed).sum(), (wrong & doubtful).sum()]
    # What the found disk has behind the end of the true one is claimed as well, unless it is empty.
    for first, sectors in _pieces(found.size // SECTOR_BYTES, count):
        exact = found.states(first, sectors) == SectorState.EXACT
        totals[2] += (exact & _read(found, first, sectors).any(axis=1)).sum()
    return _Counts(*totals.tolist())


def _check_truth(rebuilt: Disk, disk: NDArray[np.uint8]) -> None:
    wrong = 0
    for first, sectors in _pieces(min(rebuilt.size, disk.size) // SECTOR_BYTES):
        exact = rebuilt.states(first, sectors) == SectorState.EXACT
        wanted = disk[first * SECTOR_BYTES : (first + sectors) * SECTOR_BYTES].reshape(sectors, SECTOR_BYTES)
        wrong += int((exact & (_read(rebuilt, first, sectors) != wanted).any(axis=1)).sum())
    if wrong:
        raise ValueError(f"the true recipe gives {wrong} sectors that are not what the host wrote")


def _pieces(end: int, first: int = 0) -> list[tuple[int, int]]:
    """Runs of sectors, as (first, how many)."""
    step = CHUNK_BYTES // SECTOR_BYTES
    return [(start, min(step, end - start)) for start in range(first, end, step)]


def _read(disk: Disk, first: int, sectors: int) -> NDArray[np.uint8]:
    content = disk.read(first * SECTOR_BYTES, sectors * SECTOR_BYTES)
    return np.frombuffer(content, np.uint8).reshape(sectors, SECTOR_BYTES)


# By the recipe ------------------------------------------------------------------------------------


def differences(true: Recipe, found: Recipe, reference: Rebuilt, candidate: Rebuilt) -> list[str]:
    """Fields that differ beyond what no data can tell, each in words.

    Args:
        true: what the controller did.
        found: what the solver says.
        reference: the dump rebuilt by the true recipe.
        candidate: the same by the found one.
    """
    sizes = true.layout.page_bytes, found.layout.page_bytes
    run = max(sizes)
    if run % min(sizes):
        return [f"page: {sizes[1]} bytes instead of {sizes[0]}"]
    differing = _code_differences(true, found)
    for part in (Part.DATA, Part.PARITY):
        ours, theirs = (run_bits(recipe, part, run // recipe.layout.page_bytes) for recipe in (true, found))
        if not np.array_equal(ours, theirs):
            differing.append(f"{part}: in other columns, or in another order")
    if differing:
        return differing
    wrong, pages = _wrong_keystreams(true, found, reference)
    if wrong:
        differing.append(f"keystream: wrong or unknown under {wrong} of {pages} written pages")
    if _places_differ(reference, candidate, [run // size for size in sizes]):
        differing.append(f"translation: {found.translation.describe()}; {found.pages_per_block} pages a block")
    return differing


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


def _wrong_keystreams(true: Recipe, found: Recipe, reference: Rebuilt) -> tuple[int, int]:
    """Pages of the smaller size, with something that decodes, whose data get another keystream; and pages looked at."""
    small = min(true.layout.page_bytes, found.layout.page_bytes)
    counts = [recipe.layout.page_bytes // small for recipe in (true, found)]
    tells = np.repeat(np.isin(reference.page_table.kind, (PageKind.DATA, PageKind.CONSTANT)), counts[0])
    pages = np.flatnonzero(tells)
    data = _data_bits_of_columns(true).reshape(counts[0], small)
    wrong = 0
    for first in range(0, len(pages), max(1, CHUNK_BYTES // small)):
        chosen = pages[first : first + max(1, CHUNK_BYTES // small)]
        ours, theirs = (_added(recipe, chosen, count) for recipe, count in zip((true, found), counts, strict=True))
        wrong += int(((ours ^ theirs) & data[chosen % counts[0]]).any(axis=1).sum())
    return wrong, len(pages)


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


def _places_differ(reference: Rebuilt, candidate: Rebuilt, pieces: list[int]) -> bool:
    """Whether a logical page that is written lies at another place of the dump.

    Args:
        reference: by the true recipe.
        candidate: by the found one.
        pieces: pages of each that are as long as the longer page.
    """
    ours, theirs = reference.block_table.physical, candidate.block_table.physical
    # In units of the smaller page.
    ours, theirs = _in_pieces(ours, pieces[1]), _in_pieces(theirs, pieces[0])
    written = np.repeat(np.isin(reference.page_table.kind, (PageKind.DATA, PageKind.CONSTANT)), pieces[1])
    rows = np.flatnonzero(ours >= 0)
    rows = rows[written[ours[rows]]]
    inside = rows < len(theirs)
    return not inside.all() or bool((ours[rows] != theirs[rows]).any())


def _in_pieces(physical: NDArray[np.int64], count: int) -> NDArray[np.int64]:
    pieces = physical[:, None] * count + np.arange(count, dtype=np.int64)
    pieces[physical < 0] = -1
    return pieces.reshape(-1)
