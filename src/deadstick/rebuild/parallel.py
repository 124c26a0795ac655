"""Batches over the cores, with results in the order of the batches and a bounded number of them in flight.

Threads, because the kernels release the interpreter. The pool lives only while the results are being drawn, so a
process that forks between two passes takes no thread and no held lock along.
"""

import os
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

_MOST_WORKERS = 8


def worker_count() -> int:
    """Threads to use: the cores that this process may run on, 8 at most."""
    if hasattr(os, "sched_getaffinity"):  # not on Windows and macOS
        return min(_MOST_WORKERS, len(os.sched_getaffinity(0)))
    return min(_MOST_WORKERS, os.cpu_count() or 1)


def in_order(work: Callable[[Item], Result], items: Iterable[Item], workers: int | None = None) -> Iterator[Result]:
    """`map(work, items)` on several threads.

    Args:
        work: called once per item, in any thread.
        items: drawn only as fast as results are taken, two items per worker ahead.
        workers: threads; None for `worker_count()`.

    Yields:
        The results in the order of the items. An exception in `work` is raised in its turn.

    >>> list(in_order(abs, [-1, 2, -3], workers=2))
    [1, 2, 3]
    """
    workers = workers or worker_count()
    if workers == 1:
        yield from map(work, items)
        return
    pool = ThreadPoolExecutor(workers, thread_name_prefix="rebuild")
    waiting: deque[Future[Result]] = deque()
    try:
        for item in items:
            waiting.append(pool.submit(work, item))
            if len(waiting) >= 2 * workers:
                yield waiting.popleft().result()
        while waiting:
            yield waiting.popleft().result()
    finally:
        pool.shutdown(wait=True, cancel_futures=True)
