"""The life of a simulated stick: files saved, edited and deleted, with the volume as it was at several moments."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from deadstick.simulate import formats
from deadstick.simulate.contents import SimFile, scenario_files
from deadstick.simulate.volume import FatVolume

_GONE_SHARE, _LATE_SHARE = 0.12, 0.15
_EDITABLE = (".txt", ".csv")


@dataclass(frozen=True, slots=True)
class History:
    """What happened to a volume, and what was in it at the end.

    Attributes:
        states: `uint8[size_bytes]` each: the disk at successive moments, the last one when the stick died.
        live: The files at the end.
        deleted: Files that were deleted; later files may have overwritten them.
        older: Earlier contents of files that are still live, under their path.
    """

    states: tuple[NDArray[np.uint8], ...]
    live: tuple[SimFile, ...]
    deleted: tuple[SimFile, ...]
    older: tuple[SimFile, ...]

    @property
    def disk(self) -> NDArray[np.uint8]:
        """The disk when the stick died."""
        return self.states[-1]


def scenario_history(
    seed: int,
    size_bytes: int,
    *,
    fill: float = 0.6,
    steps: int = 4,
    first_sector: int = 0,
    cluster_sectors: int | None = None,
    fragmented_share: float = 0.1,
) -> History:
    """Let a stick live: most files at first, then edits, deletions and new files in each step.

    Args:
        seed: Seed of everything.
        size_bytes: Size of the disk, a multiple of 512.
        fill: Share of the disk that the files take, 0 to 0.8.
        steps: Moments at which the disk is taken, at least 1.
        first_sector: 0 for a bare volume, else the LBA of the partition.
        cluster_sectors: Sectors in one cluster; chosen by size if None.
        fragmented_share: Share of the files that are written in pieces.

    Returns:
        The states and the files, equal for equal arguments.

    Raises:
        ValueError: `fill` or `steps` is out of range, or the size is impossible.
    """
    if not 0 <= fill <= 0.8 or steps < 1:
        raise ValueError(f"A history needs a fill from 0 to 0.8 and at least 1 step, not {fill} and {steps}.")
    files = scenario_files(seed, int(size_bytes * fill))
    return lived_history(
        seed,
        size_bytes,
        files,
        steps=steps,
        first_sector=first_sector,
        cluster_sectors=cluster_sectors,
        fragmented_share=fragmented_share,
    )


def lived_history(
    seed: int,
    size_bytes: int,
    files: Sequence[SimFile],
    *,
    steps: int = 4,
    first_sector: int = 0,
    cluster_sectors: int | None = None,
    fragmented_share: float = 0.1,
    background: NDArray[np.uint8] | None = None,
) -> History:
    """The same life with given files.

    Args:
        seed: Seed of everything but the files.
        size_bytes: Size of the disk, a multiple of 512.
        files: In the order in which they are saved; they must leave some room.
        steps: Moments at which the disk is taken, at least 1.
        first_sector: 0 for a bare volume, else the LBA of the partition.
        cluster_sectors: Sectors in one cluster; chosen by size if None.
        fragmented_share: Share of the files that are written in pieces.
        background: `uint8[size_bytes]`, what was on the disk before it was formatted; zeros if None.
    """
    rng = np.random.default_rng([seed, 2])
    volume = FatVolume(
        size_bytes, seed, first_sector=first_sector, cluster_sectors=cluster_sectors, background=background
    )
    late = int(len(files) * _LATE_SHARE) if steps > 1 else 0
    live: dict[str, SimFile] = {}
    deleted: list[SimFile] = []
    older: list[SimFile] = []

    def save(file: SimFile) -> None:
        volume.write(file, fragments=int(rng.integers(2, 5)) if rng.random() < fragmented_share else 1)
        live[file.path] = file

    for file in files[: len(files) - late]:
        save(file)
    states = [volume.image()]
    for step in range(1, steps):
        for path in _some(rng, [p for p in live if p.endswith(_EDITABLE)], 3):
            older.append(live[path])
            save(_edited(live[path], rng))
        for path in _some(rng, list(live), int(len(files) * _GONE_SHARE / (steps - 1))):
            deleted.append(live.pop(path))
            volume.delete(path)
        start = len(files) - late
        for file in files[start + late * (step - 1) // (steps - 1) : start + late * step // (steps - 1)]:
            save(file)
        states.append(volume.image())
    kept = tuple(file for file in older if file.path in live)
    return History(tuple(states), tuple(live.values()), tuple(deleted), kept)


def _some(rng: np.random.Generator, paths: list[str], count: int) -> Iterator[str]:
    for place in rng.permutation(len(paths))[:count]:
        yield paths[int(place)]


def _edited(file: SimFile, rng: np.random.Generator) -> SimFile:
    """The same text with some lines more at its end."""
    maker = formats.prose if file.path.endswith(".txt") else formats.table
    more = maker(rng, 200)
    if maker is formats.table:
        more = more.partition(b"\n")[2]
    return replace(file, data=file.data + more, modified=file.modified + timedelta(days=30))
