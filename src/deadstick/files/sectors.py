"""Sector states of byte ranges, and a view of a disk in which proven copies stand in for lost sectors."""

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState


def range_states(disk: Disk, offset: int, length: int) -> NDArray[np.uint8]:
    """`uint8[sectors]`: the `SectorState` of every sector that bytes `offset` to `offset + length` touch.

    Sectors beyond the end of the disk count as lost.
    """
    if length <= 0:
        return np.zeros(0, np.uint8)
    first = offset // SECTOR_BYTES
    count = (offset + length - 1) // SECTOR_BYTES - first + 1
    inside = max(0, min(count, disk.size // SECTOR_BYTES - first))
    states = np.full(count, SectorState.LOST, np.uint8)
    if inside:
        states[:inside] = disk.states(first, inside)
    return states


def worst_state(disk: Disk, offset: int, length: int) -> SectorState:
    """The weakest claim among the sectors that bytes `offset` to `offset + length` touch."""
    states = range_states(disk, offset, length)
    return SectorState(int(states.max())) if len(states) else SectorState.EXACT


@dataclass(frozen=True)
class PatchedDisk:
    """A disk on which some sectors are answered from the place of their copy.

    A file system keeps copies of its own tables (backup boot sector, second allocation table). Where the
    first is lost and the copy is proven, reading the copy in its stead needs no change to any reader.
    """

    disk: Disk
    source: Mapping[int, int] = field(default_factory=dict)
    """Sector -> sector that holds its copy."""

    @property
    def size(self) -> int:
        """Bytes of the disk beneath."""
        return self.disk.size

    def _patched(self, first: int, count: int) -> list[int]:
        if len(self.source) < count:
            return [s for s in self.source if first <= s < first + count]
        return [s for s in range(first, first + count) if s in self.source]

    def read(self, offset: int, length: int) -> bytes:
        """As `Disk.read`, with the copies in place."""
        data = self.disk.read(offset, length)
        first = offset // SECTOR_BYTES
        hits = self._patched(first, (offset + len(data) - 1) // SECTOR_BYTES - first + 1) if data else []
        if not hits:
            return data
        out = bytearray(data)
        for sector in hits:
            begin = max(offset, sector * SECTOR_BYTES)
            end = min(offset + len(data), (sector + 1) * SECTOR_BYTES)
            shift = (self.source[sector] - sector) * SECTOR_BYTES
            out[begin - offset : end - offset] = self.disk.read(begin + shift, end - begin)
        return bytes(out)

    def states(self, first_sector: int, count: int) -> NDArray[np.uint8]:
        """As `Disk.states`: a patched sector is as good as its copy."""
        states = np.array(self.disk.states(first_sector, count), np.uint8)
        for sector in self._patched(first_sector, count):
            states[sector - first_sector] = self.disk.states(self.source[sector], 1)[0]
        return states
