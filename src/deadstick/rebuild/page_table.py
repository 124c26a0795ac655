"""One row per physical page: what it is, what was corrected, and which place on the disk it claims."""

import os
from dataclasses import dataclass, fields
from enum import IntEnum
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyarrow.parquet as pq
from numpy.typing import NDArray

from deadstick.errors import CaseError, InputError
from deadstick.rebuild.patch import NO_PATCH, Patch

_FORMAT = "deadstick page table 1"
_ROWS_PER_GROUP = 1 << 20
_PATCH = "changed_bits"
"""The column of `PageTable.patch`; a table without one has none."""


class PageKind(IntEnum):
    """What a physical page is."""

    DATA = 0
    """Written; at least one codeword is readable, or no code protects it."""
    ERASED = 1
    """Never programmed since its block was erased."""
    LOST = 2
    """Written, and no codeword of it could be corrected."""
    CONSTANT = 3
    """Of a block that reads as zero bits from end to end, like a bad block or a line that is held low."""


@dataclass(frozen=True)
class PageTable:
    """Columns with one row per physical page, chip after chip, each in physical order (see `page_space`).

    Attributes:
        chip: `uint8[pages]`; chips that are joined byte by byte count as one.
        block: `int64[pages]`, physical, in its own chip.
        page: `int32[pages]`, its place in the block.
        kind: `uint8[pages]` of `PageKind`.
        logical: `int64[pages]`: the logical page that it holds or once held, -1 where it claims none.
        version: `int64[pages]`: of its block, -1 where there is none.
        bits_corrected: `int32[pages]`, over all codewords that were corrected.
        worst_codeword: `int16[pages]`: most bits corrected in one codeword; -1 where none was.
        lost_codewords: `int16[pages]`.
        doubtful_codewords: `int16[pages]`: corrected, but perhaps by accident, or protected by no code.
        errors: `int16[pages, codewords]`: bits corrected, or `LOST`, `ERASED`, `UNCHECKED` of `recipe.code`.
        states: `uint8[pages, codewords]` of `SectorState`.
        spare_mark: `uint8[pages]`: the byte as read behind as many columns as the page has data bytes. There, in the
            first or last page of a block, the maker of the chip marks a bad block with 00h (ONFI 2.0, section 3.2.2).
        metadata: `uint8[pages, metadata_bytes]`, corrected where its codeword was.
        identity: names the dump and the recipe that the table was made of; empty where nobody said.
        patch: bits of the pages that must be changed before they are decoded, see `trials`.
    """

    chip: NDArray[np.uint8]
    block: NDArray[np.int64]
    page: NDArray[np.int32]
    kind: NDArray[np.uint8]
    logical: NDArray[np.int64]
    version: NDArray[np.int64]
    bits_corrected: NDArray[np.int32]
    worst_codeword: NDArray[np.int16]
    lost_codewords: NDArray[np.int16]
    doubtful_codewords: NDArray[np.int16]
    errors: NDArray[np.int16]
    states: NDArray[np.uint8]
    spare_mark: NDArray[np.uint8]
    metadata: NDArray[np.uint8]
    identity: str = ""
    patch: Patch = NO_PATCH

    def __len__(self) -> int:
        return len(self.kind)

    def save(self, path: Path) -> None:
        """Write a Parquet file; it appears under its name only when it is whole.

        Raises:
            CaseError: the file cannot be written.
        """
        columns: dict[str, Any] = {}
        for name in _column_names():
            values = getattr(self, name)
            if values.ndim == 1:
                columns[name] = pa.array(values)
            elif values.shape[1]:  # Parquet has no lists of length 0
                columns[name] = _to_lists(values)
        if len(self.patch):
            ends = np.zeros(len(self) + 1, np.int64)
            ends[self.patch.rows + 1] = np.diff(self.patch.starts)
            columns[_PATCH] = pa.LargeListArray.from_arrays(pa.array(np.cumsum(ends)), pa.array(self.patch.bits))
        table = pa.table(columns).replace_schema_metadata({"format": _FORMAT, "identity": self.identity})
        temporary = path.with_name(path.name + ".partial")
        try:
            pq.write_table(table, temporary, compression="zstd", row_group_size=_ROWS_PER_GROUP)
            with temporary.open("rb+") as stream:
                os.fsync(stream.fileno())
            temporary.replace(path)
        except OSError as error:
            temporary.unlink(missing_ok=True)
            raise CaseError(f"{path}: cannot be written: {error.strerror or error}") from error

    @classmethod
    def load(cls, path: Path) -> "PageTable":
        """Read what `save` wrote.

        Raises:
            InputError: the file is missing, damaged, or no page table.
        """
        try:
            table = pq.read_table(path)
        except (OSError, pa.ArrowException) as error:
            raise InputError(f"{path}: no page table can be read from it: {error}") from error
        notes = table.schema.metadata or {}
        if notes.get(b"format", b"").decode() != _FORMAT:
            raise InputError(f"{path}: not a page table of this version; remove it to make it anew")
        columns = {
            name: _from_column(table.column(name).combine_chunks()) for name in table.column_names if name != _PATCH
        }
        columns.setdefault("metadata", np.zeros((len(table), 0), np.uint8))
        patch = _to_patch(table.column(_PATCH).combine_chunks()) if _PATCH in table.column_names else NO_PATCH
        return cls(**columns, identity=notes[b"identity"].decode(), patch=patch)


def _column_names() -> list[str]:
    return [field.name for field in fields(PageTable) if field.name not in {"identity", "patch"}]


def _to_patch(column: Any) -> Patch:
    """From a column of lists of bits."""
    lengths = column.value_lengths().to_numpy(zero_copy_only=False).astype(np.int64)
    rows = np.flatnonzero(lengths).astype(np.int64)
    starts = np.concatenate([[0], np.cumsum(lengths[rows])]).astype(np.int64)
    return Patch(rows, starts, column.flatten().to_numpy(zero_copy_only=False).astype(np.int32))


def _to_lists(values: NDArray[Any]) -> Any:
    return pa.FixedSizeListArray.from_arrays(pa.array(np.ascontiguousarray(values).reshape(-1)), values.shape[1])


def _from_column(column: Any) -> NDArray[Any]:
    if not pa.types.is_fixed_size_list(column.type):
        values: NDArray[Any] = column.to_numpy(zero_copy_only=False)
        return values
    flat: NDArray[Any] = column.flatten().to_numpy(zero_copy_only=False)
    return flat.reshape(len(column), column.type.list_size)
