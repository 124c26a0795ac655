"""One read of one chip: a file that is opened read-only, mapped into memory and never written."""

import hashlib
import mmap
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cached_property
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import InputError


class Dump:
    """A read-only memory map of a raw read, with its SHA-256.

    Make one with `Dump.open`. The file must keep its length while it is mapped.

    Attributes:
        path: The file.
        array: `uint8[bytes]`, the whole file; not writeable.

    >>> import tempfile
    >>> file = Path(tempfile.mkdtemp()) / "chip0.bin"
    >>> _ = file.write_bytes(bytes(range(10)))
    >>> dump = Dump.open(file)
    >>> dump.name, dump.size, dump.pages(4).shape, dump.leftover(4), dump.array.flags.writeable
    ('chip0.bin', 10, (2, 4), 2, False)
    """

    def __init__(self, path: Path, array: NDArray[np.uint8], mapped: mmap.mmap | None = None) -> None:
        self.path = path
        self.array = array
        self._mapped = mapped

    @classmethod
    def open(cls, path: Path | str) -> "Dump":
        """Map a file.

        Args:
            path: A regular file with at least one byte.

        Raises:
            InputError: The file is missing, is a directory or another thing that is no regular file, is
                empty, or may not be read. One line that names the file.
        """
        path = Path(path)
        try:
            status = path.stat()
            _refuse_unfit(path, status.st_mode, status.st_size)
            with path.open("rb") as stream:
                mapped = mmap.mmap(stream.fileno(), 0, access=mmap.ACCESS_READ)
        except OSError as error:
            raise InputError(f"{path}: {_reason(error)}") from error
        return cls(path, np.frombuffer(mapped, np.uint8), mapped)

    @property
    def name(self) -> str:
        """The file's name without its folder."""
        return self.path.name

    @property
    def size(self) -> int:
        """Bytes in the file."""
        return self.array.size

    @cached_property
    def sha256(self) -> str:
        """SHA-256 of the whole file, 64 hexadecimal digits; read as a stream, once.

        Raises:
            InputError: The file can no longer be read.
        """
        try:
            with self.path.open("rb") as stream:
                return hashlib.file_digest(stream, "sha256").hexdigest()
        except OSError as error:
            raise InputError(f"{self.path}: {_reason(error)}") from error

    @contextmanager
    def read_here_and_there(self, first: int) -> Iterator[None]:
        """For as long as pages from all over the file are read: the system need not read ahead.

        It may read megabytes around every page that is asked for, and so a whole chip for a sample.

        Args:
            first: byte from which on pages are read one by one; rounded up to a page of the memory.
        """
        first = -(-first // mmap.PAGESIZE) * mmap.PAGESIZE
        mapped = self._mapped
        if mapped is None or first >= len(mapped) or not hasattr(mmap, "MADV_RANDOM"):
            yield
            return
        mapped.madvise(mmap.MADV_RANDOM, first)
        try:
            yield
        finally:
            mapped.madvise(mmap.MADV_NORMAL, first)

    def pages(self, page_bytes: int) -> NDArray[np.uint8]:
        """View the dump as pages; a truncated last page is left out.

        Args:
            page_bytes: Bytes of one page as read, data and spare.

        Returns:
            `uint8[pages, page_bytes]`, a view that is not writeable.

        Raises:
            ValueError: `page_bytes` is less than 1.
        """
        count = self.size // _checked(page_bytes)
        return self.array[: count * page_bytes].reshape(count, page_bytes)

    def leftover(self, page_bytes: int) -> int:
        """Bytes after the last whole page, which `pages` leaves out.

        Args:
            page_bytes: Bytes of one page as read, data and spare.

        Raises:
            ValueError: `page_bytes` is less than 1.
        """
        return self.size % _checked(page_bytes)

    def __repr__(self) -> str:
        return f"Dump({str(self.path)!r}, {self.size} bytes)"


def _checked(page_bytes: int) -> int:
    if page_bytes < 1:
        raise ValueError(f"A page has at least 1 byte, not {page_bytes}.")
    return page_bytes


def _refuse_unfit(path: Path, mode: int, size: int) -> None:
    if stat.S_ISDIR(mode):
        raise InputError(f"{path}: this is a directory; give the dump file itself")
    if not stat.S_ISREG(mode):
        raise InputError(f"{path}: this is not a regular file; copy the device or pipe into a file first")
    if size == 0:
        raise InputError(f"{path}: the file is empty; the read of the chip has failed")


def _reason(error: OSError) -> str:
    if isinstance(error, FileNotFoundError):
        return "there is no such file"
    if isinstance(error, PermissionError):
        return "no permission to read this file"
    return f"cannot be read: {error.strerror or error}"
