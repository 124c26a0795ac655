"""Content checks in a worker process: one worker for many files, a new one after a crash.

Run as `python -m deadstick.files.checker` it is that worker.
"""

import time
from pathlib import Path

from deadstick.files.content import check_content
from deadstick.files.finding import ContentCheck, Verdict
from deadstick.files.wire import read_frame, write_frame
from deadstick.files.worker import Closing, Worker, WorkerGoneError, limit_memory, take_standard_streams

MEMORY_BYTES = 4 << 30
BASE_SECONDS = 30.0
SECONDS_PER_BYTE = 1 / 10e6  # unpacking and decoding run at 20 MB/s and more


class Checker(Closing):
    """Checks files one after another; a context manager that ends its worker."""

    def __init__(self, base_seconds: float = BASE_SECONDS) -> None:
        self._base_seconds = base_seconds
        self._worker: Worker | None = None

    def check(self, name: str, path: Path) -> ContentCheck:
        """The verdict on one file; a worker that crashes or takes too long makes it `unknown`."""
        if self._worker is None:
            self._worker = Worker("deadstick.files.checker")
        limit = self._base_seconds + path.stat().st_size * SECONDS_PER_BYTE
        try:
            self._worker.send({"name": name, "path": str(path.resolve())})
            message, _ = self._worker.receive(time.monotonic() + limit)
            return ContentCheck(str(message["kind"]), Verdict(message["verdict"]), str(message["detail"]))
        except (WorkerGoneError, KeyError, ValueError) as error:
            self.close()
            return ContentCheck("", Verdict.UNKNOWN, f"the check of its content came to no end: {error}", failed=True)

    def close(self) -> None:
        """End the worker; the next check starts another."""
        if self._worker is not None:
            self._worker.close()
            self._worker = None


def _serve() -> None:
    source, sink = take_standard_streams()
    limit_memory(MEMORY_BYTES)
    while (frame := read_frame(source)) is not None:
        message, _ = frame
        try:
            found = check_content(str(message["name"]), Path(str(message["path"])))
        except (MemoryError, RecursionError) as error:
            found = ContentCheck("", Verdict.UNKNOWN, f"the decoder gave up: {type(error).__name__}")
        except Exception as error:  # noqa: BLE001 - decoders raise what they like on hostile input
            found = ContentCheck("", Verdict.UNKNOWN, f"the decoder failed: {type(error).__name__}")
        write_frame(sink, {"kind": found.kind, "verdict": found.verdict.value, "detail": found.detail})


if __name__ == "__main__":
    _serve()
