"""Codewords that neither a read nor the vote of all reads can give: trials with the help of the vote's confidence.

Every lost codeword is decoded again and again, as `codes.chase` describes: first as each read has it, then with the
unsure bits of the vote changed. What comes out is held against the accident: `chase` says with which chance some wrong
codeword could have looked as likely. So are corrected codewords that `certainty` calls DOUBTFUL, because so many bits
were corrected: an accident corrects bits anywhere, while true errors lie where the reads disagree. With T codewords
tried, at most T times that chance of wrong ones is to be expected, so a codeword is EXACT where

    MARGIN * T * chance <= TRIAL_BUDGET,

and DOUBTFUL otherwise. `TRIAL_BUDGET` comes on top of the budget of `certainty`, whose rule counts lost codewords as
lost, as it must: they had more than t errors.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import chase
from deadstick.flash import kernels
from deadstick.flash.dump import Dump
from deadstick.flash.reads import WEIGHT_UNIT, VotedDump
from deadstick.progress import Progress, silent
from deadstick.rebuild.certainty import MARGIN
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.page_source import woven
from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.parallel import in_order
from deadstick.rebuild.patch import Patch
from deadstick.recipe.code import LOST, UNCHECKED, Code
from deadstick.recipe.recipe import Recipe

TRIAL_BUDGET = 1e-7
"""Codewords in a dump that may be expected to be called EXACT by trials and be wrong."""
MOST_WORDS = 1 << 17
"""Lost codewords that are tried; a dump with more is in no state to be helped this way."""
_ALL_TRIALS = 1 << 22
_FEWEST_TRIALS, _MOST_TRIALS = 64, 4096
_ROWS = 64

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Reads:
    """What each read of each chip says, by rows of the page table.

    Attributes:
        dumps: of the chips, in the order in which they were given.
        space: the rows.
        recipe: which says how dumps are joined.
    """

    dumps: Sequence[Dump]
    space: PageSpace
    recipe: Recipe

    @property
    def are_several(self) -> bool:
        """Whether any chip was read more than once."""
        return any(isinstance(dump, VotedDump) and len(dump.chip.reads) > 1 for dump in self.dumps)

    def take(self, rows: NDArray[np.int64]) -> tuple[Bytes, Bytes, NDArray[np.int32]]:
        """The reads of some pages of one chip.

        Args:
            rows: `int64[rows]`.

        Returns:
            `uint8[reads, rows, page_bytes]`: the bytes; as much: a 1 for every bit that counts; and `int32[reads]`:
            the log-likelihood ratio of a bit of each read.
        """
        lanes = self.recipe.interleave.chips[int(self.space.chip(rows[:1])[0])]
        parts = [_page_reads(self.dumps[lane], self.space.numbers(rows), self._lane_bytes) for lane in lanes]
        most = max(len(weights) for _, _, weights in parts)
        values, counts, weights = zip(*(_filled(part, most) for part in parts), strict=True)
        return woven(values), woven(counts), np.max(weights, axis=0)

    @property
    def _lane_bytes(self) -> int:
        return self.recipe.layout.page_bytes // self.recipe.interleave.lanes


def _page_reads(dump: Dump, pages: NDArray[np.int64], page_bytes: int) -> tuple[Bytes, Bytes, NDArray[np.int32]]:
    if isinstance(dump, VotedDump):
        return *dump.page_reads(pages, page_bytes), dump.weights
    values = dump.pages(page_bytes)[pages][None]
    return values, np.full_like(values, 0xFF), np.ones(1, np.int32)


def _filled(part: tuple[Bytes, Bytes, NDArray[np.int32]], most: int) -> tuple[Bytes, Bytes, NDArray[np.int32]]:
    """Reads that do not count, up to a number of reads."""
    missing = [(0, most - len(part[2])), (0, 0), (0, 0)]
    return np.pad(part[0], missing), np.pad(part[1], missing), np.pad(part[2], missing[0])


@dataclass(frozen=True)
class _Tried:
    """Outcome for one codeword of some pages: of each that was found its row, changed bits, distance and chance."""

    number: int
    rows: NDArray[np.int64]
    masks: Bytes
    distance: NDArray[np.int32]
    log10_chance: NDArray[np.float64]


def with_trials(table: PageTable, reads: Reads, progress: Progress = silent) -> PageTable:
    """Try the lost and the doubtful codewords of a page table.

    Args:
        table: outcome of the decode pass over the vote.
        reads: of the same pages.
        progress: told `("trials", codewords, codewords in all)`.

    Returns:
        The table with what was found, and the patch that makes it so.
    """
    recipe = reads.recipe
    code = recipe.code
    if not reads.are_several or code is None or code.family == "hamming":
        return table
    doubtful = (table.errors > 0) & (table.states == SectorState.DOUBTFUL)
    open_ = ((table.errors == LOST) | doubtful) & (table.kind != PageKind.CONSTANT)[:, None]
    total = int(open_.sum())
    if not 0 < total <= MOST_WORDS:
        return table
    trials = min(_MOST_TRIALS, max(_FEWEST_TRIALS, _ALL_TRIALS // total))
    found, done = [], 0

    def work(batch: tuple[int, NDArray[np.int64]]) -> tuple[int, _Tried]:
        return len(batch[1]), _try(reads, code, *batch, trials)

    for count, tried in in_order(work, _batches(open_, reads.space)):
        found.append(tried)
        done += count
        progress("trials", done, total)
    return _merged(table, reads, found, total)


def _batches(chosen: NDArray[np.bool_], space: PageSpace) -> list[tuple[int, NDArray[np.int64]]]:
    """Codewords by their number in the page and by chip, some rows at a time."""
    batches = []
    for number in range(chosen.shape[1]):
        rows = np.flatnonzero(chosen[:, number]).astype(np.int64)
        chips = space.chip(rows)
        for chip in np.unique(chips).tolist():
            here = rows[chips == chip]
            batches += [(number, here[first : first + _ROWS]) for first in range(0, len(here), _ROWS)]
    return batches


def _try(reads: Reads, code: Code, number: int, rows: NDArray[np.int64], trials: int) -> _Tried:
    recipe, pages = reads.recipe, reads.space.numbers(rows)
    raw = reads.space.take(rows)
    values, counts, weights = reads.take(rows)
    words = recipe.words(raw, pages, number)
    starts = np.stack([recipe.words(value, pages, number) for value in values])
    # The exclusive or of two words tells where the bits in which two pages differ have gone.
    valid = np.stack(
        [start ^ recipe.words(v ^ c, pages, number) for start, v, c in zip(starts, values, counts, strict=True)]
    )
    scores = np.empty((len(rows), 8 * words.shape[1]), np.int16)
    kernels.likelihoods(starts, valid, weights, scores)
    message_bytes = recipe.layout.codewords[number].message_bits // 8
    names = (rows * len(recipe.layout.codewords) + number).astype(np.uint64)
    decoded = chase.decode(
        code.codec,
        words,
        np.abs(scores),
        message_bytes,
        unit=WEIGHT_UNIT,
        starts=np.stack([words, *starts]),
        names=names,
        trials=trials,
    )
    good = np.flatnonzero(decoded.distance >= 0)
    masks = recipe.page_bits(decoded.words[good] ^ words[good], number)
    return _Tried(number, rows[good], masks, decoded.distance[good], decoded.log10_chance[good])


def _merged(table: PageTable, reads: Reads, found: list[_Tried], total: int) -> PageTable:
    """Note what was found, after the recipe has decoded the changed pages as it will for the disk."""
    patch = Patch.of([tried.rows for tried in found], [tried.masks for tried in found])
    if not len(patch):
        return table
    errors, states, metadata = table.errors.copy(), table.states.copy(), table.metadata.copy()
    decoded = reads.recipe.decode(
        patch.changed(reads.space.take(patch.rows), patch.rows), reads.space.numbers(patch.rows)
    )
    metadata[patch.rows] = decoded.metadata
    limit = np.log10(TRIAL_BUDGET / (MARGIN * total))
    for tried in found:
        place = np.searchsorted(patch.rows, tried.rows)
        sound = decoded.errors[place, tried.number] == 0
        rows = tried.rows[sound]
        errors[rows, tried.number] = np.minimum(tried.distance[sound], np.iinfo(np.int16).max)
        sure = tried.log10_chance[sound] <= limit
        states[rows, tried.number] = np.where(sure, SectorState.EXACT, SectorState.DOUBTFUL)
        # Checked, but under a keystream that nobody knows.
        unsure = tried.rows[decoded.errors[place, tried.number] == UNCHECKED]
        errors[unsure, tried.number] = UNCHECKED
        states[unsure, tried.number] = SectorState.DOUBTFUL
    lost = (errors == LOST).sum(axis=1)
    kind = np.where((table.kind == PageKind.LOST) & (lost < errors.shape[1]), PageKind.DATA, table.kind)
    return replace(
        table,
        kind=kind.astype(np.uint8),
        bits_corrected=np.maximum(errors, 0).sum(axis=1, dtype=np.int32),
        worst_codeword=np.where(errors >= 0, errors, -1).max(axis=1).astype(np.int16),
        lost_codewords=lost.astype(np.int16),
        doubtful_codewords=(states == SectorState.DOUBTFUL).sum(axis=1).astype(np.int16),
        errors=errors,
        states=states,
        metadata=metadata,
        patch=patch,
    )
