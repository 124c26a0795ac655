"""What lies on a drawn stick: quick to make, half full or nearly full, with or without old data where it is free."""

from collections.abc import Sequence
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.simulate import formats
from deadstick.simulate.contents import SimFile, scenario_files
from deadstick.simulate.history import History, lived_history

Fill = Literal["half full", "packed"]
FILL: dict[Fill, float] = {"half full": 0.55, "packed": 0.8}
SCENARIO_BYTES = 9 << 20
"""At the most, of files that are made in full; photographs of noise make up the rest."""
PHOTOGRAPH_BYTES = (200_000, 2_500_000)


def drawn_history(seed: int, disk_bytes: int, fill: Fill, *, first_sector: int = 0) -> History:
    """The life of a drawn stick.

    Args:
        seed: of everything.
        disk_bytes: size of the disk, a multiple of 512.
        fill: half full on a stick that was empty, or nearly full on one whose free clusters hold old packed data.
        first_sector: 0 for a bare volume, else the LBA of the partition.
    """
    total = int((disk_bytes - 512 * first_sector) * FILL[fill])
    full = min(total, SCENARIO_BYTES, total // 2 if fill == "packed" else total)
    files = [*scenario_files(seed, full), *_photographs(seed, total - full)]
    order = np.random.default_rng([seed, 11]).permutation(len(files))
    background = _noise(seed, disk_bytes) if fill == "packed" else None
    mixed = [files[int(place)] for place in order]
    return lived_history(seed, disk_bytes, mixed, steps=3, first_sector=first_sector, background=background)


def _noise(seed: int, size: int) -> NDArray[np.uint8]:
    """`uint8[size]`: what encrypted or compressed files leave behind."""
    return np.frombuffer(np.random.default_rng([seed, 12]).bytes(size), np.uint8)


def _photographs(seed: int, total: int) -> Sequence[SimFile]:
    """Photographs with a true head and end, and noise for the compressed picture between them."""
    rng = np.random.default_rng([seed, 13])
    model = formats.photograph(rng, 20_000)
    head, end = model[: model.index(b"\xff\xda") + 14], model[-2:]
    modified = scenario_files(seed, 1)[0].modified
    low, high = PHOTOGRAPH_BYTES
    files: list[SimFile] = []
    while total >= low:
        size = total if total < high + low else int(rng.integers(low, high))
        # FFh would begin a marker (ITU-T T.81, B.1.1.2).
        picture = rng.bytes(size - len(head) - len(end)).replace(b"\xff", b"\xfe")
        path = f"DCIM/{200 + len(files) % 4}MARSH/IMG_{5000 + len(files)}.JPG"
        files.append(SimFile(path, head + picture + end, modified))
        total -= size
    return files
