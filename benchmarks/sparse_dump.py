"""A dump of 16 GiB against one of 64 MiB: the search reads samples, so both should take about as long.

    python benchmarks/sparse_dump.py
    python benchmarks/sparse_dump.py --gib 16 --kind holes

`repeated`: the small dump is mapped into memory again and again, side by side, so that the large one is a whole chip
with many copies of every block and needs neither disk nor memory beyond the small one (Linux: mmap with MAP_FIXED).
`holes`: a sparse file with the small dump at its beginning; the rest reads as zeros and takes no room on the disk.
Each search runs in a process of its own, and each pair in turn, so that other work on the machine hits both alike.
"""

import argparse
import ctypes
import mmap
import multiprocessing
import os
import resource
import tempfile
import time
from multiprocessing.connection import Connection
from pathlib import Path
from statistics import median

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.dump import Dump
from deadstick.simulate.draw import Ranges, draw_case
from deadstick.solve.solver import solve

SPAWN = multiprocessing.get_context("spawn")
RANGES = Ranges(
    page_data=(4096, 4096),
    codeword_data=(1024,),
    t=(24, 40),
    pages_per_block=(64, 64),
    raw_bit_error_rate=2e-4,
    dump_bytes=(60 << 20, 64 << 20),
    mapped_share=1.0,
)
MAP_FIXED = 0x10
"""Of Linux, on every architecture but a few that nobody runs this on; Python's mmap has no name for it."""


def repeated(path: Path, times: int) -> NDArray[np.uint8]:
    """A file mapped side by side, read-only.

    Args:
        path: a file whose size is a whole number of memory pages.
        times: how often.

    Returns:
        `uint8[times * size]`; it takes addresses, not memory.

    Raises:
        OSError: the system refuses.
        ValueError: the size is no whole number of memory pages.
    """
    size = path.stat().st_size
    if size % mmap.PAGESIZE:
        raise ValueError(f"{path}: {size} bytes are no whole number of memory pages of {mmap.PAGESIZE}")
    system = ctypes.CDLL(None, use_errno=True)
    system.mmap.restype = ctypes.c_void_p
    system.mmap.argtypes = [ctypes.c_void_p, ctypes.c_size_t, *[ctypes.c_int] * 3, ctypes.c_long]
    whole = system.mmap(None, size * times, 0, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS, -1, 0)
    _check(whole)
    descriptor = os.open(path, os.O_RDONLY)
    try:
        for number in range(times):
            where = whole + number * size
            _check(system.mmap(where, size, mmap.PROT_READ, mmap.MAP_SHARED | MAP_FIXED, descriptor, 0))
    finally:
        os.close(descriptor)
    bytes_there = (ctypes.c_uint8 * (size * times)).from_address(whole)
    array: NDArray[np.uint8] = np.ctypeslib.as_array(bytes_there)
    array.flags.writeable = False
    return array


def _check(address: int | None) -> None:
    if address is None or address == ctypes.c_void_p(-1).value:
        raise OSError(ctypes.get_errno(), os.strerror(ctypes.get_errno()))


def measure(path: Path, times: int) -> tuple[float, int, str]:
    """Seconds, peak memory in bytes and outcome of one search, in a process of its own.

    Pages of the file count for the memory as often as they are mapped, though they are in memory once.
    """
    receiver, sender = SPAWN.Pipe(duplex=False)
    process = SPAWN.Process(target=_measure, args=(path, times, sender))
    process.start()
    sender.close()
    answer: tuple[float, int, str] = receiver.recv()
    process.join()
    return answer


def _measure(path: Path, times: int, sender: Connection) -> None:
    data = Dump.open(path) if times == 1 else repeated(path, times)
    began = time.perf_counter()
    found = solve(data)
    seconds = time.perf_counter() - began
    code = found.recipe.code.describe() if found.recipe and found.recipe.code else found.reason
    sender.send((seconds, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024, f"{found.outcome}: {code}"))


def _whole_pages(dump: NDArray[np.uint8], page_bytes: int) -> NDArray[np.uint8]:
    """The dump without its last pages, so that memory pages and flash pages both fit a whole number of times."""
    step = int(np.lcm(page_bytes, mmap.PAGESIZE))
    return dump[: len(dump) // step * step]


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--gib", type=int, default=16)
    parser.add_argument("--kind", choices=("repeated", "holes"), default="repeated")
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--seed", type=int, default=5)
    given = parser.parse_args()
    case = draw_case(given.seed, RANGES)
    with tempfile.TemporaryDirectory() as folder:
        small, large = Path(folder) / "small.bin", Path(folder) / "large.bin"
        block = case.recipe.pages_per_block * case.recipe.layout.page_bytes
        _whole_pages(case.dump, block).tofile(small)
        size = small.stat().st_size
        times = (given.gib << 30) // size
        plans = {"small": (small, 1), "large": (small, times)}
        if given.kind == "holes":
            large.write_bytes(small.read_bytes())
            os.truncate(large, given.gib << 30)
            plans["large"] = (large, 1)
        taken: dict[str, list[tuple[float, int, str]]] = {name: [] for name in plans}
        for _ in range(given.runs):
            for name, plan in plans.items():
                taken[name].append(measure(*plan))
        sizes = {"small": size, "large": size * times if given.kind == "repeated" else given.gib << 30}
    print("| dump | size | seconds (median) | peak memory | outcome |\n|---|---:|---:|---:|---|")  # noqa: T201
    for name, runs in taken.items():
        seconds, peak = median(run[0] for run in runs), max(run[1] for run in runs)
        print(  # noqa: T201 - the table is what this is for
            f"| {name} | {sizes[name] / 2**30:.2f} GiB | {seconds:.1f} | {peak / 2**20:.0f} MiB | {runs[-1][2]} |"
        )


if __name__ == "__main__":
    main()
