"""The rebuilt disk: read-only, random access, decoded on demand, and able to say where every sector came from."""

import hashlib
import json
import threading
from collections import OrderedDict
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.data_runs import DataRuns
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState
from deadstick.rebuild.mapping import BlockCopy, BlockTable
from deadstick.rebuild.page_space import PageSpace
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.toml import to_dict

CACHE_BYTES = 32 << 20
"""Decoded data that a disk keeps, about."""
RUN_BYTES = 64 << 10
"""Data that is decoded at a time for small reads, about: neighbours are usually read next."""

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Provenance:
    """Where one sector came from.

    Attributes:
        chip: 0 for the first chip; -1 where no page holds the sector.
        dumps: the dumps that hold the page, numbered as they were given: mostly one; several where their bytes are
            joined, column c of the page being column `c // len(dumps)` of dump `dumps[c % len(dumps)]`.
        block: physical block of that chip, -1 where no page holds it.
        page: place in the block, -1 where no page holds it.
        columns: byte columns of the page as `(start, end)`, in the order of the sector's bytes; where a layout goes
            by bits, the columns that hold a part of them.
        codewords: numbers in the page of the codewords under it.
        bits_corrected: in these codewords; -1 where one of them was lost or is not protected.
        state: as `Disk.states` says.
        version: of the block, -1 where there is none.
        older: `(block, page, version)` of other copies of the same logical page, the newest first.
        older_chips: the chip of each of them.
    """

    chip: int
    block: int
    page: int
    columns: tuple[tuple[int, int], ...]
    codewords: tuple[int, ...]
    bits_corrected: int
    state: SectorState
    version: int
    older: tuple[tuple[int, int, int], ...]
    dumps: tuple[int, ...] = ()
    older_chips: tuple[int, ...] = ()


class RebuiltDisk:
    """A disk behind the `Disk` protocol; `disk_file.DiskFile` makes it a binary file.

    It holds no threads and opens nothing, so it can be used in a forked process. Sectors that no page holds read as
    zeros.

    Attributes:
        identity: names the dump, the recipe and the mapping, for what is kept between runs.
    """

    def __init__(
        self,
        pages: Bytes | PageSpace,
        recipe: Recipe,
        table: PageTable,
        blocks: BlockTable,
        *,
        cache_bytes: int = CACHE_BYTES,
    ) -> None:
        """Bind the parts together.

        Args:
            pages: `uint8[pages, page_bytes]`, the dump; or the pages of several chips.
            recipe: what to undo.
            table: outcome of the decode pass over the same pages.
            blocks: the logical-to-physical table.
            cache_bytes: decoded data to keep.
        """
        self._recipe, self.page_table, self.block_table = recipe, table, blocks
        self._space = PageSpace.of(pages, recipe.pages_per_block)
        self._page_bytes, self._data_runs = recipe.layout.data_bytes, DataRuns(recipe.layout)
        self._size = len(blocks.physical) * self._page_bytes // SECTOR_BYTES * SECTOR_BYTES
        self._run = max(1, RUN_BYTES // self._page_bytes)
        self._cache: OrderedDict[int, Bytes] = OrderedDict()
        self._cache_runs = max(2, cache_bytes // (self._run * self._page_bytes))
        self._lock = threading.Lock()

    # The disk -------------------------------------------------------------------------------------

    @property
    def size(self) -> int:
        """Bytes; a multiple of `SECTOR_BYTES`."""
        return self._size

    @property
    def cached_bytes(self) -> int:
        """Decoded data that is kept at this moment."""
        return sum(run.nbytes for run in self._cache.values())

    @cached_property
    def identity(self) -> str:
        """Names the dump (as far as `PageTable.identity` does), the recipe and the mapping."""
        digest = hashlib.sha256(self.page_table.identity.encode())
        digest.update(json.dumps(to_dict(self._recipe), sort_keys=True).encode())
        digest.update(self.block_table.physical.astype("<i8").tobytes())
        return digest.hexdigest()

    def read(self, offset: int, length: int) -> bytes:
        """Bytes `offset` to `offset + length`, cut at the end of the disk."""
        end = min(offset + length, self._size)
        if offset < 0 or length < 0:
            raise ValueError(f"offset and length must not be negative: {offset}, {length}")
        if end <= offset:
            return b""
        first, last = offset // self._page_bytes, (end - 1) // self._page_bytes
        begin = offset - first * self._page_bytes
        if last - first >= 2 * self._run:
            # A long read would only push out what small reads will ask for again.
            data = self._decoded(first, last + 1).reshape(-1)
        else:
            data = np.concatenate([self._cached(run) for run in range(first // self._run, last // self._run + 1)])
            begin += (first % self._run) * self._page_bytes
        return data[begin : begin + end - offset].tobytes()

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        """`uint8[count]`: the `SectorState` of each sector from `first_sector` on.

        Raises:
            ValueError: the range leaves the disk.
        """
        if first_sector < 0 or count < 0 or (first_sector + count) * SECTOR_BYTES > self._size:
            raise ValueError(f"sectors {first_sector} to {first_sector + count} leave the disk")
        start = 8 * SECTOR_BYTES * np.arange(first_sector, first_sector + count, dtype=np.int64)
        low, high = self._data_runs.at(start), self._data_runs.at(start + 8 * SECTOR_BYTES - 1)
        states = np.zeros(count, np.uint8)
        for step in range(int((high - low).max(initial=-1)) + 1):
            np.maximum(states, self._states_of(np.minimum(low + step, high)), out=states)
        return states

    def provenance(self, sector: int) -> Provenance:
        """Where a sector came from; a sector that spans two pages is named by its first byte.

        Raises:
            ValueError: there is no such sector.
        """
        state = SectorState(self.states(sector, 1)[0])
        first = sector * SECTOR_BYTES
        logical, column = divmod(first, self._page_bytes)
        physical = int(self.block_table.physical[logical])
        older, older_chips = self._other_copies(logical, physical)
        if physical < 0:
            return Provenance(-1, -1, -1, (), (), 0, state, -1, older, (), older_chips)
        stored = self._data_runs.stored(8 * column, 8 * min(column + SECTOR_BYTES, self._page_bytes))
        codewords = tuple(sorted({number for number, _, _ in stored}))
        errors = self.page_table.errors[physical, list(codewords)]
        return Provenance(
            chip=int(self.page_table.chip[physical]),
            block=int(self.page_table.block[physical]),
            page=int(self.page_table.page[physical]),
            columns=tuple((first // 8, -(-last // 8)) for _, first, last in stored),
            codewords=codewords,
            bits_corrected=int(errors.sum()) if (errors >= 0).all() else -1,
            state=state,
            version=int(self.page_table.version[physical]),
            older=older,
            dumps=self._recipe.interleave.chips[int(self.page_table.chip[physical])],
            older_chips=older_chips,
        )

    # Inside ---------------------------------------------------------------------------------------

    def _cached(self, run: int) -> Bytes:
        """`uint8[bytes]`: the data of one aligned run of logical pages."""
        with self._lock:
            if run in self._cache:
                self._cache.move_to_end(run)
                return self._cache[run]
        first = run * self._run
        data = self._decoded(first, min(first + self._run, len(self.block_table.physical))).reshape(-1)
        with self._lock:
            self._cache[run] = data
            while len(self._cache) > self._cache_runs:
                self._cache.popitem(last=False)
        return data

    def _decoded(self, first: int, last: int) -> Bytes:
        """`uint8[pages, data_bytes]`: logical pages `first` to `last`."""
        physical = self.block_table.physical[first:last]
        data = np.zeros((last - first, self._page_bytes), np.uint8)
        rows = np.flatnonzero(physical >= 0)
        rows = rows[self.page_table.kind[physical[rows]] != PageKind.ERASED]
        if len(rows):
            numbers = physical[rows]
            decoded = self._recipe.decode(self._space.take(numbers), self._space.numbers(numbers)).data
            if len(rows) == len(data):
                return decoded
            data[rows] = decoded
        return data

    def _states_of(self, runs: NDArray[np.int64]) -> NDArray[np.uint8]:
        logical, run = np.divmod(runs, len(self._data_runs))
        physical, number = self.block_table.physical[logical], self._data_runs.codewords[run]
        states = np.where(physical >= 0, self.page_table.states[physical, number], SectorState.UNWRITTEN)
        unsure = self.block_table.doubtful[logical] & (states == SectorState.EXACT)
        if not self._recipe.interleave.sure:
            # Where no place is proven, what is written may belong where nothing seems to be.
            unsure |= states == SectorState.UNWRITTEN
        states[unsure] = SectorState.DOUBTFUL
        return states.astype(np.uint8)

    def _other_copies(self, logical: int, physical: int) -> tuple[tuple[tuple[int, int, int], ...], tuple[int, ...]]:
        """`(block, page, version)` of the other copies of a logical page, and their chips."""
        number, place = self._recipe.interleave.place(logical, self.block_table.pages_per_block)
        copies: tuple[BlockCopy, ...] = self.block_table.copies[number] if self.block_table.copies else ()
        table, found, chips = self.page_table, [], []
        for copy in copies:
            row = copy.block * self.block_table.pages_per_block + place
            if row != physical and row < len(table) and table.kind[row] != PageKind.ERASED:
                found.append((int(table.block[row]), place, copy.version))
                chips.append(int(table.chip[row]))
        return tuple(found), tuple(chips)
