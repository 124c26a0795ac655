"""How long work shows on a terminal, and how in a log file."""

import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TextIO

from deadstick.progress import Progress

FIRST_LINE_S = 3.0
NEXT_LINE_S = 10.0


@contextmanager
def shown() -> Iterator[Progress]:
    """Progress on standard error: bars on a terminal, now and then a plain line elsewhere."""
    if sys.stderr.isatty():
        with _bars() as progress:
            yield progress
    else:
        yield Lines(sys.stderr)


class Lines:
    """Plain lines, few of them; short work says nothing.

    Args:
        stream: where to.
    """

    def __init__(self, stream: TextIO) -> None:
        self._stream = stream
        self._due = time.monotonic() + FIRST_LINE_S

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Write a line if one is due."""
        if time.monotonic() >= self._due:
            self._due = time.monotonic() + NEXT_LINE_S
            share = f"{done / total:.0%}" if total else f"{done:,}"
            print(f"{stage}: {share}", file=self._stream, flush=True)


@contextmanager
def _bars() -> Iterator[Progress]:
    # Rich takes a tenth of a second to load; a log file never needs it.
    from rich.console import Console  # noqa: PLC0415
    from rich.progress import BarColumn, TaskID, TaskProgressColumn, TextColumn, TimeElapsedColumn  # noqa: PLC0415
    from rich.progress import Progress as Display  # noqa: PLC0415

    tasks: dict[str, TaskID] = {}
    columns = (TextColumn("{task.description:>12}"), BarColumn(), TaskProgressColumn(), TimeElapsedColumn())
    with Display(*columns, console=Console(stderr=True), transient=True) as display:

        def progress(stage: str, done: int, total: int) -> None:
            if stage not in tasks:
                tasks[stage] = display.add_task(stage, total=total or None)
            display.update(tasks[stage], completed=done, total=total or None)

        yield progress
