"""The full list of files as a table that any spreadsheet opens."""

import csv
import io
from collections.abc import Iterable
from pathlib import Path

from deadstick.case.atomic import write_atomic
from deadstick.case.result import FilePart

HEADINGS = ("path", "bytes", "state", "deleted", "sha256", "modified", "reason", "lost_bytes")


def write_files_csv(path: Path, live: Iterable[FilePart], deleted: Iterable[FilePart]) -> None:
    """Write one row per file: UTF-8, RFC 4180 quoting, live files first.

    Args:
        path: the table.
        live: live files.
        deleted: deleted ones.
    """
    text = io.StringIO(newline="")
    writer = csv.writer(text)
    writer.writerow(HEADINGS)
    writer.writerows(_row(part, "no") for part in live)
    writer.writerows(_row(part, "yes") for part in deleted)
    write_atomic(path, text.getvalue().encode())


def _row(part: FilePart, deleted: str) -> tuple[str | int, ...]:
    modified = part.modified.isoformat() if part.modified else ""
    lost = sum(end - first for first, end in part.lost_ranges)
    return part.path, part.bytes, part.state, deleted, part.sha256, modified, part.reason, lost
