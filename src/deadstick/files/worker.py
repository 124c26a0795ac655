"""Worker processes: where C code meets damaged data.

Decoders and file-system libraries may crash, hang or ask for all memory when fed a broken disk. They run in a
process of their own, started afresh (no fork: our own threads and maps stay out of it) and spoken to through
its standard input and output. Limits on memory are set where the system has them (POSIX `setrlimit`); the time
limit is ours and works everywhere.
"""

import os
import queue
import subprocess
import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Any, BinaryIO, Self, cast

import deadstick
from deadstick.files.wire import Frame, read_frame, write_frame

_GRACE_S = 5.0


class WorkerGoneError(Exception):
    """The worker died, hung or talked nonsense; the text says which. Callers turn it into a problem."""


class Closing:
    """A context manager that closes itself."""

    def close(self) -> None:
        """End what is open."""
        raise NotImplementedError

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


class Worker(Closing):
    """One worker process that runs `python -m <module>`; a context manager that ends it."""

    def __init__(self, module: str) -> None:
        environment = dict(os.environ)
        root = str(Path(deadstick.__file__).parent.parent)
        environment["PYTHONPATH"] = os.pathsep.join(filter(None, [root, environment.get("PYTHONPATH")]))
        self._process = subprocess.Popen(  # noqa: S603 - our own interpreter and our own module
            [sys.executable, "-P", "-m", module],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            env=environment,
        )
        self._frames: queue.Queue[Frame | None] = queue.Queue()
        self._reader = threading.Thread(target=self._pump, daemon=True)
        self._reader.start()

    def _pump(self) -> None:
        """Move frames from the pipe to the queue: the only portable way to wait for a pipe with a time limit."""
        stream = cast("BinaryIO", self._process.stdout)
        try:
            while (frame := read_frame(stream)) is not None:
                self._frames.put(frame)
        except (ValueError, TypeError, OSError):
            self._process.kill()  # what it says is no frame: treated like a crash
        self._frames.put(None)

    def send(self, message: dict[str, Any], payload: bytes = b"") -> None:
        """Send one frame.

        Raises:
            WorkerGoneError: the process has ended.
        """
        try:
            write_frame(cast("BinaryIO", self._process.stdin), message, payload)
        except OSError as error:
            raise WorkerGoneError(self._epitaph()) from error

    def receive(self, deadline: float) -> Frame:
        """Wait for the next frame until `deadline` (of `time.monotonic`).

        Raises:
            WorkerGoneError: the process has ended, or the time is over (it is killed then).
        """
        try:
            frame = self._frames.get(timeout=max(0.0, deadline - time.monotonic()))
        except queue.Empty:
            self._process.kill()
            raise WorkerGoneError("it took too long and was stopped") from None
        if frame is None:
            raise WorkerGoneError(self._epitaph())
        return frame

    def _epitaph(self) -> str:
        try:
            code = self._process.wait(_GRACE_S)
        except subprocess.TimeoutExpired:
            self._process.kill()
            return "it closed its pipe and was stopped"
        return f"it was ended by signal {-code}" if code < 0 else f"it ended with status {code}"

    def close(self) -> None:
        """End the process and wait for it."""
        for stream in (self._process.stdin, self._process.stdout):
            if stream is self._process.stdout:
                self._process.kill()
                self._process.wait()
                self._reader.join()
            if stream is not None:
                try:
                    stream.close()
                except OSError:  # what was still to be flushed has no reader any more
                    continue


def take_standard_streams() -> tuple[BinaryIO, BinaryIO]:
    """Called in a worker: its ends of the pipes, with the standard ones led to nowhere.

    So nothing that a C library prints can get between the frames.
    """
    source, sink = os.fdopen(os.dup(0), "rb"), os.fdopen(os.dup(1), "wb")
    nowhere = os.open(os.devnull, os.O_RDWR)
    os.dup2(nowhere, 0)
    os.dup2(nowhere, 1)
    os.close(nowhere)
    return source, sink


def limit_memory(limit_bytes: int) -> None:
    """Called in a worker: cap its address space and forbid core files, where the system can."""
    if sys.platform == "win32":
        return
    import resource  # noqa: PLC0415 - POSIX alone has it

    resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
    _soft, hard = resource.getrlimit(resource.RLIMIT_AS)
    resource.setrlimit(resource.RLIMIT_AS, (limit_bytes, hard))
