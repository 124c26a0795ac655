"""What lay on the simulated stick: the papers of an invented saltmarsh bird survey."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np

from deadstick.simulate import formats


@dataclass(frozen=True, slots=True)
class SimFile:
    """A file as its owner saved it.

    Attributes:
        path: Folders and name, joined by "/".
        data: The content.
        modified: Local time of the last change; even seconds, as FAT stores them.
    """

    path: str
    data: bytes
    modified: datetime


@dataclass(frozen=True, slots=True)
class _Kind:
    """A sort of file: how it is made, how often, how large beside the mean, and where it is kept."""

    make: Callable[[np.random.Generator, int], bytes]
    weight: float
    relative_size: float
    most: int
    folder: str
    name: str


_KINDS = (
    _Kind(formats.prose, 5, 0.2, 60_000, "Diaries/{year}", "Field diary {year}-{number:03d}.txt"),
    _Kind(
        formats.table, 4, 0.4, 300_000,
        "Comptages/Été {year}", "Dénombrement de la lagune nord, feuille {number}.csv",
    ),
    _Kind(formats.settings, 1, 0.1, 20_000, "CONFIG", "REC{number:05d}.JSN"),
    _Kind(formats.recording, 3, 3.0, 6_000_000, "Sound/Station {station}", "night call {year} {number}.wav"),
    _Kind(formats.photograph, 5, 1.6, 4_000_000, "DCIM/{station:03d}MARSH", "IMG_{number:04d}.JPG"),
    _Kind(formats.site_map, 1, 0.5, 400_000, "Maps", "stations and pools {number}.png"),
    _Kind(
        formats.report, 2, 1.5, 2_500_000,
        "Berichte für den Beirat/{year}", "Rastvogelzählung {year}, vorläufige Auswertung Nr. {number}.pdf",
    ),
    _Kind(formats.archive, 1, 1.0, 1_500_000, "Sent to the university", "bundle-{year}-{number}.zip"),
    _Kind(formats.database, 1, 1.0, 3_000_000, "Database", "sightings_{number}.sqlite"),
    _Kind(formats.message, 2, 0.1, 30_000, "Letters", "letter {number}.eml"),
)  # fmt: skip
_FILES_AIMED_AT = 70
_SMALLEST, _LARGEST = 1_500, 1_200_000


def scenario_files(seed: int, total_bytes: int) -> list[SimFile]:
    """Invent the files of a saltmarsh bird survey, `total_bytes` in all.

    Every file is valid in its format. Small totals give some tens of small files, large totals more and
    larger ones. Equal arguments give equal files.

    Args:
        seed: Seed of everything.
        total_bytes: Sum of the sizes, met exactly.

    Returns:
        Files with different paths (also where case does not count), in the order in which they were saved.

    Raises:
        ValueError: `total_bytes` is negative.

    >>> files = scenario_files(seed=7, total_bytes=100_000)
    >>> sum(len(file.data) for file in files)
    100000
    """
    if total_bytes < 0:
        raise ValueError(f"The files cannot have {total_bytes} bytes in all.")
    rng = np.random.default_rng(seed)
    mean = int(np.clip(total_bytes / _FILES_AIMED_AT, _SMALLEST, _LARGEST))
    weights = np.array([kind.weight for kind in _KINDS])
    moment = datetime(2016, 3, 1, 9, 0, 0)  # noqa: DTZ001 - FAT knows local time only
    files: list[SimFile] = []
    left = total_bytes
    # Each kind once, so that none is missing where there is room for it; then as often as its weight says.
    opening = [int(place) for place in rng.permutation(len(_KINDS))]
    while left:
        drawn = int(rng.choice(len(_KINDS), p=weights / weights.sum()))
        kind = _KINDS[opening.pop() if opening else drawn]
        aim = min(kind.most, int(mean * kind.relative_size * rng.lognormal(0, 0.6)) + 200)
        data = kind.make(rng, aim)
        if len(data) > left:
            # The end is filled with diaries, which can have any length.
            kind = _KINDS[0]
            data = kind.make(rng, min(left, kind.most))
        moment += timedelta(seconds=2 * int(rng.integers(600, 90_000)))
        files.append(SimFile(_path(kind, rng, moment.year, len(files)), data, moment))
        left -= len(data)
    return files


def _path(kind: _Kind, rng: np.random.Generator, year: int, number: int) -> str:
    """The running number makes every path different."""
    return f"{kind.folder}/{kind.name}".format(year=year, number=number, station=int(rng.integers(100, 104)))
