"""The allocation table of a FAT volume: entries, how far each is proven, chains."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.files.fat_layout import FIRST_CLUSTER, FatLayout
from deadstick.files.sectors import range_states
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState

FREE = 0


def decode_entries(table: bytes, bits: int, count: int) -> NDArray[np.uint32]:
    """`uint32[count]`: the entries of a table of `bits` (12, 16 or 32) wide entries, little-endian.

    Two 12-bit entries share three bytes. Of a 32-bit entry the top four bits are reserved and dropped.

    >>> decode_entries(bytes.fromhex("f8ffff034000"), 12, 4).tolist()
    [4088, 4095, 3, 4]
    """
    raw = np.frombuffer(table, np.uint8)
    if bits == 12:
        triples = np.zeros(-(-count // 2) * 3, np.uint8)
        usable = min(len(raw), len(triples))
        triples[:usable] = raw[:usable]
        low, mid, high = triples.reshape(-1, 3).astype(np.uint32).T
        pairs = np.stack([low | (mid & 0xF) << 8, mid >> 4 | high << 4], axis=1)
        return pairs.reshape(-1)[:count]
    if bits == 16:
        return np.frombuffer(table, "<u2", count).astype(np.uint32)
    return np.frombuffer(table, "<u4", count).astype(np.uint32) & np.uint32(0x0FFFFFFF)


def _entry_sectors(bits: int, count: int) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    """First and last sector of the table that each entry touches."""
    index = np.arange(count, dtype=np.int64)
    first = index * bits // 8
    return first // SECTOR_BYTES, (first + (1 if bits == 12 else bits // 8 - 1)) // SECTOR_BYTES


@dataclass(frozen=True)
class FatTable:
    """The table as the best of its copies tells it, sector by sector."""

    layout: FatLayout
    entries: NDArray[np.uint32]
    """`uint32[clusters + 2]`."""
    states: NDArray[np.uint8]
    """`uint8[clusters + 2]`: the `SectorState` under each entry."""
    disputed: NDArray[np.bool_]
    """`bool[clusters + 2]`: two proven copies tell different things here."""
    rescued: int
    """Sectors taken from a later copy because the first is not proven."""

    @property
    def end_mark(self) -> int:
        """Entries from here on end a chain; the one below marks a bad cluster."""
        return {12: 0xFF8, 16: 0xFFF8}.get(self.layout.entry_bits, 0x0FFFFFF8)

    def is_free(self, cluster: int) -> bool:
        """Whether the table calls a cluster free."""
        return int(self.entries[cluster]) == FREE


def read_table(disk: Disk, layout: FatLayout) -> FatTable:
    """Read all copies and keep, for every sector, the first that is proven best."""
    copies = range(layout.fats) if layout.active_fat < 0 else range(layout.active_fat, layout.active_fat + 1)
    used = -(-(layout.clusters + FIRST_CLUSTER) * layout.entry_bits // 8)
    sectors = -(-used // SECTOR_BYTES)
    texts, states = [], []
    for copy in copies:
        offset = layout.fat_offset + copy * layout.fat_bytes
        text = disk.read(offset, sectors * SECTOR_BYTES).ljust(sectors * SECTOR_BYTES, b"\0")
        texts.append(np.frombuffer(text, np.uint8).reshape(sectors, SECTOR_BYTES))
        states.append(range_states(disk, offset, sectors * SECTOR_BYTES))
    state = np.stack(states)
    best = state.argmin(axis=0)
    count = layout.clusters + FIRST_CLUSTER
    table = np.stack(texts)[best, np.arange(sectors)].tobytes()
    entries = decode_entries(table, layout.entry_bits, count)
    first, last = _entry_sectors(layout.entry_bits, count)
    chosen = state.min(axis=0)
    disputed = np.zeros(count, bool)
    for copy_text, own in zip(texts, states, strict=True):
        proven = np.maximum(own[first], own[last]) == SectorState.EXACT
        disputed |= proven & (decode_entries(copy_text.tobytes(), layout.entry_bits, count) != entries)
    return FatTable(layout, entries, np.maximum(chosen[first], chosen[last]), disputed, int((best > 0).sum()))


@dataclass(frozen=True)
class Chain:
    """Clusters of a file in order, and what is wrong with the way they were found."""

    clusters: NDArray[np.int64]
    doubts: tuple[str, ...] = ()
    ended: bool = True
    """The chain came to an end mark; else it broke off."""


def follow(table: FatTable, start: int, wanted: int) -> Chain:
    """Follow the chain from cluster `start`; `wanted` is how many clusters the file's size needs (0: unknown).

    Where the table is not proven and tells nothing usable, the next cluster is guessed to be the next on the
    disk (a doubt is noted). One more cluster than wanted is followed, so that a chain too long is noticed.
    """
    layout, guessed, weak, disputed = table.layout, 0, 0, 0
    found: list[int] = []
    seen: set[int] = set()
    cluster, ended = start, False
    while layout.holds(cluster) and cluster not in seen and not (wanted and len(found) > wanted):
        found.append(cluster)
        seen.add(cluster)
        value = int(table.entries[cluster])
        proven = table.states[cluster] == SectorState.EXACT
        weak += not proven
        disputed += bool(table.disputed[cluster])
        if value >= table.end_mark and (proven or len(found) >= wanted):
            ended = True
            break
        if not proven and not layout.holds(value):
            if len(found) >= wanted:  # always so where the size is unknown: a directory is never guessed on
                break
            guessed, value = guessed + 1, cluster + 1
        cluster = value
    doubts = []
    if weak:
        doubts.append(f"{weak} of its entries in the allocation table lie in sectors that are not proven")
    if guessed:
        doubts.append(f"{guessed} of its clusters were placed by a guess because the table is lost there")
    if disputed:
        doubts.append(f"the copies of the allocation table disagree about {disputed} of its clusters")
    return Chain(np.array(found, np.int64), tuple(doubts), ended)
