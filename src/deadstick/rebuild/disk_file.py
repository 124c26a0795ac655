"""A disk as a read-only binary file, for libraries that want one."""

import io

from deadstick.rebuild.disk_protocol import Disk


class DiskFile(io.RawIOBase):
    """A position over a `Disk`; `read`, `readinto` and the like come with the base class."""

    def __init__(self, disk: Disk) -> None:
        """Start at byte 0 of a disk."""
        super().__init__()
        self._disk = disk
        self._position = 0

    def readinto(self, buffer: bytearray | memoryview) -> int:  # type: ignore[override] # ours is narrower
        """Fill a buffer from the present position; 0 at the end."""
        view = memoryview(buffer).cast("B")
        data = self._disk.read(self._position, len(view))
        view[: len(data)] = data
        self._position += len(data)
        return len(data)

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        """Move the position; behind the end, reads give nothing.

        Raises:
            ValueError: the position would be before the start.
        """
        base = {io.SEEK_SET: 0, io.SEEK_CUR: self._position, io.SEEK_END: self._disk.size}[whence]
        if base + offset < 0:
            raise ValueError(f"a position of {base + offset} is before the start of the disk")
        self._position = base + offset
        return self._position

    def tell(self) -> int:
        """The position."""
        return self._position

    def readable(self) -> bool:
        """Yes."""
        return True

    def seekable(self) -> bool:
        """Yes."""
        return True
