"""A FAT volume that grows file by file, as a driver would write it; nothing is taken from a mount.

`FatVolume` is the volume with its history: files are written, overwritten and deleted, and the image can be taken
at any moment. `fat_volume` is the short way to one image.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.simulate import fat
from deadstick.simulate.contents import SimFile

_EPOCH = datetime(2016, 1, 1, 12, 0, 0)  # noqa: DTZ001 - FAT knows local time only
_GAP_CLUSTERS = 3


@dataclass(slots=True)
class _Entry:
    """Where a directory entry stands, and what it names."""

    start: int
    """First of its 32-byte entries, counted from the start of the directory."""
    count: int
    short: bytes
    attributes: int
    chain: list[int]


@dataclass(slots=True)
class _Directory:
    """A directory: its clusters (none for the fixed root), how many entries are used, what they name."""

    chain: list[int]
    used: int = 0
    entries: dict[str, _Entry] = field(default_factory=dict)
    folders: dict[str, "_Directory"] = field(default_factory=dict)
    short_names: set[bytes] = field(default_factory=set)


class FatVolume:
    """A FAT12, FAT16 or FAT32 volume in memory.

    Args:
        size_bytes: Size of the image, a multiple of 512; with a partition, of the whole disk.
        seed: Seed of serial numbers and of which files are fragmented.
        label: Volume label, up to 11 ASCII characters.
        first_sector: 0 for a bare volume; else the image begins with a master boot record and the volume lies
            at this LBA.
        cluster_sectors: Sectors in one cluster; chosen by size if None. It decides the type of the volume.
        background: `uint8[size_bytes]`, what clusters hold that were never written; zeros if None.

    Raises:
        ValueError: The size is impossible.
    """

    def __init__(
        self,
        size_bytes: int,
        seed: int,
        *,
        label: str = "SALTMARSH",
        first_sector: int = 0,
        cluster_sectors: int | None = None,
        background: NDArray[np.uint8] | None = None,
    ) -> None:
        if size_bytes % fat.SECTOR or size_bytes // fat.SECTOR <= first_sector:
            raise ValueError(f"{size_bytes} bytes are no whole number of sectors behind LBA {first_sector}.")
        self.shape = fat.FatShape.fit(size_bytes // fat.SECTOR - first_sector, cluster_sectors)
        self._rng = np.random.default_rng(seed)
        self._disk = np.zeros(size_bytes, dtype=np.uint8)
        self._volume = self._disk[first_sector * fat.SECTOR :]
        if background is not None:
            # Formatting writes what stands before the clusters, and leaves these as they were.
            clusters = self._cluster_offset(2)
            self._volume[clusters:] = background[first_sector * fat.SECTOR + clusters :]
        self._table = np.zeros(self.shape.clusters + 2, dtype=np.uint32)
        self._table[:2] = self.shape.end_mark
        self._table[0] &= ~np.uint32(0xFF)
        self._table[0] |= np.uint32(0xF8)
        self._cursor = 2
        self._root = _Directory(chain=[])
        if self.shape.bits == 32:
            self._grow_directory(self._root)
        self._write_fixed_sectors(first_sector, label)
        self._append(self._root, fat.short_entry(fat.label_bytes(label), fat.ATTRIBUTE_LABEL, _EPOCH, 0, 0))

    def write(self, file: SimFile, *, fragments: int = 1) -> None:
        """Save a file; one of the same path is overwritten, its old clusters are freed and keep their content.

        Args:
            file: What to save; missing folders are made.
            fragments: Runs of clusters into which the file falls, with gaps for the next files between them.

        Raises:
            ValueError: The volume or its root directory is full, or the path is that of a folder.
        """
        *folders, name = file.path.split("/")
        parent = self._folder(folders, file.modified)
        if name in parent.folders:
            raise ValueError(f"{file.path} is a folder of this volume.")
        old = parent.entries.get(name)
        chain = self._allocate(-(-len(file.data) // self.shape.cluster_bytes), fragments)
        self._store(chain, file.data)
        if old is not None:
            self._table[old.chain] = 0
            first = chain[0] if chain else 0
            entry = fat.short_entry(old.short, fat.ATTRIBUTE_ARCHIVE, file.modified, first, len(file.data))
            self._put(parent, old.start + old.count - 1, entry)
            old.chain = chain
        else:
            self._enter(parent, name, fat.ATTRIBUTE_ARCHIVE, file.modified, chain, len(file.data))

    def delete(self, path: str) -> None:
        """Delete a file as drivers do: its entries begin with E5h, its chain is freed, its content stays.

        Raises:
            KeyError: There is no such file.
        """
        *folders, name = path.split("/")
        parent = self._root
        for folder in folders:
            parent = parent.folders[folder]
        entry = parent.entries.pop(name)
        for position in range(entry.start, entry.start + entry.count):
            place = self._entry_offset(parent, position)
            self._volume[place] = fat.FREE_ENTRY
        self._table[entry.chain] = 0
        parent.short_names.discard(entry.short)

    def image(self) -> NDArray[np.uint8]:
        """The disk as it is now, `uint8[size_bytes]`, a copy."""
        packed = fat.table_bytes(self._table, self.shape.bits)
        for copy in range(2):
            start = (self.shape.reserved + copy * self.shape.fat_sectors) * fat.SECTOR
            self._volume[start : start + packed.size] = packed
        if self.shape.bits == 32:
            free = int(np.count_nonzero(self._table == 0))
            for sector in (1, 7):
                self._set(sector * fat.SECTOR, fat.info_sector(free, min(self._cursor, self.shape.clusters + 1)))
        return self._disk.copy()

    def extents(self, path: str) -> list[int]:
        """Byte offsets in the image of the clusters of a file, in order.

        Raises:
            KeyError: There is no such file.
        """
        *folders, name = path.split("/")
        parent = self._root
        for folder in folders:
            parent = parent.folders[folder]
        base = self._disk.size - self._volume.size
        return [base + self._cluster_offset(cluster) for cluster in parent.entries[name].chain]

    def _write_fixed_sectors(self, first_sector: int, label: str) -> None:
        serial, signature = (int(value) for value in self._rng.integers(1, 1 << 32, 2))
        boot = fat.boot_sector(self.shape, hidden=first_sector, serial=serial, label=label)
        self._set(0, boot)
        if self.shape.bits == 32:
            self._set(6 * fat.SECTOR, boot)
            for sector in (2, 8):  # the third sector of the boot record is empty but for its signature
                self._set(sector * fat.SECTOR + 510, b"\x55\xaa")
        if first_sector:
            record = fat.partition_sector(first_sector, self.shape.sectors, self.shape.bits, signature)
            self._disk[: fat.SECTOR] = np.frombuffer(record, dtype=np.uint8)

    def _set(self, offset: int, data: bytes) -> None:
        self._volume[offset : offset + len(data)] = np.frombuffer(data, dtype=np.uint8)

    def _cluster_offset(self, cluster: int) -> int:
        return self.shape.data_sector * fat.SECTOR + (cluster - 2) * self.shape.cluster_bytes

    def _allocate(self, count: int, fragments: int = 1) -> list[int]:
        """Take free clusters from the cursor on, wrapping once, and chain them."""
        if count == 0:
            return []
        free = np.flatnonzero(self._table == 0)
        free = np.roll(free, -int(np.searchsorted(free, self._cursor)))
        pieces = min(fragments, count)
        gaps = _GAP_CLUSTERS * (pieces - 1)
        if free.size < count + gaps:
            raise ValueError(f"The volume is full: {count} clusters are wanted, {free.size} are free.")
        bounds = np.linspace(0, count, pieces + 1).astype(int)
        places = np.concatenate([np.arange(a, b) + _GAP_CLUSTERS * i for i, (a, b) in enumerate(pairwise(bounds))])
        chain = free[places]
        # The next file begins in the first gap, so that it too falls into pieces.
        last = bounds[1] - 1 if pieces > 1 else count - 1
        self._cursor = int(free[last]) + 1
        self._table[chain[:-1]] = chain[1:]
        self._table[chain[-1]] = self.shape.end_mark
        return [int(cluster) for cluster in chain]

    def _store(self, chain: Sequence[int], data: bytes) -> None:
        size = self.shape.cluster_bytes
        for number, cluster in enumerate(chain):
            piece = data[number * size : (number + 1) * size].ljust(size, b"\0")
            self._set(self._cluster_offset(cluster), piece)

    def _folder(self, names: Iterable[str], moment: datetime) -> _Directory:
        place = self._root
        for name in names:
            if name in place.entries and name not in place.folders:
                raise ValueError(f"{name} is a file of this volume, not a folder.")
            if name not in place.folders:
                place.folders[name] = self._make_folder(place, name, moment)
            place = place.folders[name]
        return place

    def _make_folder(self, parent: _Directory, name: str, moment: datetime) -> _Directory:
        made = _Directory(chain=[])
        self._grow_directory(made)
        # A parent that is the root is written as cluster 0, also for FAT32.
        above = 0 if parent is self._root else parent.chain[0]
        for dots, cluster in ((b".", made.chain[0]), (b"..", above)):
            self._append(made, fat.short_entry(dots.ljust(11), fat.ATTRIBUTE_DIRECTORY, moment, cluster, 0))
        self._enter(parent, name, fat.ATTRIBUTE_DIRECTORY, moment, made.chain, 0)
        return made

    def _enter(
        self, parent: _Directory, name: str, attributes: int, moment: datetime, chain: list[int], size: int
    ) -> None:
        short = fat.short_name(name, parent.short_names)
        first = chain[0] if chain else 0
        entries = fat.name_entries(name, short) + fat.short_entry(short, attributes, moment, first, size)
        start = self._append(parent, entries)
        parent.short_names.add(short)
        parent.entries[name] = _Entry(start, len(entries) // fat.ENTRY, short, attributes, chain)

    def _append(self, directory: _Directory, entries: bytes) -> int:
        """Add entries at the end of a directory, which grows if needed; returns the position of the first."""
        start = directory.used
        for number in range(0, len(entries), fat.ENTRY):
            if directory.used == self._capacity(directory):
                if not directory.chain:
                    raise ValueError(f"The root directory is full: it has {self.shape.root_entries} entries.")
                self._grow_directory(directory)
            self._put(directory, directory.used, entries[number : number + fat.ENTRY])
            directory.used += 1
        return start

    def _capacity(self, directory: _Directory) -> int:
        if not directory.chain:
            return self.shape.root_entries
        return len(directory.chain) * self.shape.cluster_bytes // fat.ENTRY

    def _grow_directory(self, directory: _Directory) -> None:
        (cluster,) = self._allocate(1)
        if directory.chain:
            self._table[directory.chain[-1]] = cluster
        self._store([cluster], b"")
        directory.chain.append(cluster)

    def _put(self, directory: _Directory, position: int, entry: bytes) -> None:
        self._set(self._entry_offset(directory, position), entry)

    def _entry_offset(self, directory: _Directory, position: int) -> int:
        if not directory.chain:
            return self.shape.root_sector * fat.SECTOR + position * fat.ENTRY
        per_cluster = self.shape.cluster_bytes // fat.ENTRY
        cluster = directory.chain[position // per_cluster]
        return self._cluster_offset(cluster) + position % per_cluster * fat.ENTRY


def fat_volume(
    files: Sequence[SimFile],
    size_bytes: int,
    seed: int,
    *,
    deleted: Sequence[SimFile] = (),
    label: str = "SALTMARSH",
    partitioned: bool = False,
    cluster_sectors: int | None = None,
    fragmented_share: float = 0.1,
) -> NDArray[np.uint8]:
    """Make a FAT volume that holds `files`, and traces of `deleted`.

    Deleted files were written among the others and deleted at the end, so that their content is whole.

    Args:
        files: Live files.
        size_bytes: Size of the image, a multiple of 512.
        seed: Seed of serial numbers, of the order and of fragmentation.
        deleted: Files to write and to delete.
        label: Volume label.
        partitioned: Put the volume behind a master boot record, at LBA 2048 (LBA 64 below 16 MiB).
        cluster_sectors: Sectors in one cluster; chosen by size if None.
        fragmented_share: Share of the live files that are written in two to four pieces.

    Returns:
        `uint8[size_bytes]`.

    Raises:
        ValueError: The files do not fit, or the size is impossible.
    """
    first = 0 if not partitioned else 64 if size_bytes < 16 << 20 else 2048
    volume = FatVolume(size_bytes, seed, label=label, first_sector=first, cluster_sectors=cluster_sectors)
    rng = np.random.default_rng([seed, 1])
    doomed = {int(place) for place in rng.integers(0, len(files) + 1, len(deleted))} if deleted else set()
    waiting = list(deleted)
    for number, file in enumerate(files):
        if number in doomed and waiting:
            volume.write(waiting.pop(0))
        volume.write(file, fragments=int(rng.integers(2, 5)) if rng.random() < fragmented_share else 1)
    for file in waiting:
        volume.write(file)
    for file in deleted:
        volume.delete(file.path)
    return volume.image()
