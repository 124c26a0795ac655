"""Is a recipe that was found the right one? For campaigns, which know what the controller did.

Two judges, and both must agree. The first goes by the data: the disk that the found recipe rebuilds is compared with
the one that the true recipe rebuilds from the same dumps, sector by sector. The second, `judge_fields`, goes by the
recipe, field by field, up to differences that no data can tell.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.flash.reads import VotedDump
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState
from deadstick.rebuild.rebuild import rebuild
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.judge_fields import differences

Verdict = Literal["right", "incomplete", "wrong"]

CHUNK_BYTES = 8 << 20
"""Of the disk, compared at a time."""


@dataclass(frozen=True, slots=True)
class Judgement:
    """What became of a recipe that was called solved.

    Attributes:
        verdict: `right`: every sector that can be had is right, and no field differs; `wrong`: some sector is claimed
            to be exact, or to be unwritten, and is not what the true recipe gives, or a field differs though all
            data agree; `incomplete`: nothing that is claimed is wrong, but something is missing or only doubtful, as
            a keystream that is called unknown is, wherever it lies.
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


def judge(dump: Dump | Sequence[Dump], true: Recipe, found: Recipe, disk: NDArray[np.uint8] | None = None) -> Judgement:
    """Compare a found recipe with the true one.

    Args:
        dump: that both are about; of several chips one each, in the order in which the solver was given them. Of a
            single one that ends inside a page the rest is left out: a recipe that cuts pages in pieces has whole ones
            in it, of which the true recipe knows nothing.
        true: what the controller did.
        found: what the solver says it did.
        disk: `uint8[bytes]`, what the host wrote. Sectors that the true recipe calls exact are then compared with it
            first: a campaign whose own truth is wrong must stop. None where the dump does not hold all of the disk.

    Raises:
        ValueError: the true recipe does not give the disk.
    """
    dumps = [dump] if isinstance(dump, Dump) else list(dump)
    if len(dumps) == 1:
        dumps = [_whole_pages(dumps[0], max(true.layout.page_bytes, found.layout.page_bytes))]
    reference, candidate = rebuild(dumps, true), rebuild(dumps, found)
    if disk is not None:
        _check_truth(reference.disk, disk)
    counts = _compare(reference.disk, candidate.disk)
    differing = differences(dumps, true, found, reference, candidate)
    is_claimed = any(difference.is_claimed for difference in differing)
    verdict: Verdict = "right"
    if counts.wrong_exact or (is_claimed and counts.right == counts.sectors):
        verdict = "wrong"
    elif differing or counts.right < counts.sectors:
        verdict = "incomplete"
    words = tuple(difference.words for difference in differing)
    return Judgement(verdict, counts.sectors, counts.right, counts.wrong_exact, counts.wrong_doubtful, words)


def _whole_pages(dump: Dump, page_bytes: int) -> Dump:
    if isinstance(dump, VotedDump):
        return dump  # its reads go with it
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
