"""Reading simulated volumes with a file-system library that has no part in making them."""

from collections.abc import Callable, Iterator

import numpy as np
import pytest
import pytsk3
from numpy.typing import NDArray

Listing = list[tuple[str, bytes, bool]]
"""Path, content, and whether the entry is in use."""


class _Image(pytsk3.Img_Info):  # type: ignore[misc] # pytsk3 has no types
    """An image in memory for the file-system library."""

    def __init__(self, data: NDArray[np.uint8]) -> None:
        self.data = data
        super().__init__(url="", type=pytsk3.TSK_IMG_TYPE_EXTERNAL)

    def read(self, offset: int, length: int) -> bytes:
        return self.data[offset : offset + length].tobytes()

    def get_size(self) -> int:
        return self.data.size


def _walk(directory: pytsk3.Directory, folder: str = "") -> Iterator[tuple[str, pytsk3.File, bool]]:
    """Every file below a directory: path, file, and whether its entry is in use."""
    for entry in directory:
        name = entry.info.name.name.decode()
        kind = entry.info.name.type
        used = not entry.info.name.flags & pytsk3.TSK_FS_NAME_FLAG_UNALLOC
        if name in {".", ".."} or name.startswith("$") or name.endswith("(Volume Label Entry)"):
            continue
        if kind == pytsk3.TSK_FS_NAME_TYPE_DIR:
            if used:
                yield from _walk(entry.as_directory(), f"{folder}{name}/")
        else:
            yield f"{folder}{name}", entry, used


def _content(file: pytsk3.File) -> bytes:
    size = file.info.meta.size
    return bytes(file.read_random(0, size)) if size else b""


@pytest.fixture(scope="session")
def image_info() -> Callable[[NDArray[np.uint8]], pytsk3.Img_Info]:
    """An image in memory as the library takes it."""
    return _Image


@pytest.fixture(scope="session")
def list_files() -> Callable[[pytsk3.FS_Info], Listing]:
    """All files of a volume, deleted ones too."""

    def listing(volume: pytsk3.FS_Info) -> Listing:
        return [(path, _content(file), used) for path, file, used in _walk(volume.open_dir("/"))]

    return listing
