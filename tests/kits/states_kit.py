"""Two states of a volume, for tests of older and newer copies of its blocks."""

import numpy as np

from deadstick.simulate.contents import scenario_files
from deadstick.simulate.volume import FatVolume


def volume_states(disk_bytes: int, file_bytes: int) -> tuple[np.ndarray, np.ndarray]:
    """`uint8[disk_bytes]` each: a volume before and after a tenth of its files were saved; nothing was replaced."""
    files = scenario_files(5, file_bytes)
    volume = FatVolume(disk_bytes, 4)
    late = len(files) * 9 // 10
    for file in files[:late]:
        volume.write(file)
    before = volume.image()
    for file in files[late:]:
        volume.write(file)
    return before, volume.image()
