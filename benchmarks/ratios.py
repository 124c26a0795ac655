"""Print a Markdown table of decoding speeds: ours beside bchlib's, medians of interleaved runs, one thread.

python benchmarks/ratios.py
"""

import sys
import time
from collections.abc import Callable
from statistics import median

from bch_workload import CODE, DAMAGE, MESSAGE_BYTES, as_bytearrays, bchlib_decoder, run_bchlib, workload

WORDS, WORDS_BCHLIB, RUNS = 8192, 256, 15


def seconds(action: Callable[[], object]) -> float:
    """Processor time of one call, so that other work on the machine counts little."""
    start = time.thread_time()
    action()
    return time.thread_time() - start


def main() -> None:
    """Measure and print."""
    decoder = bchlib_decoder()
    lines = [
        "| damage | deadstick, us per codeword | GB/s | bchlib, us per codeword | ratio |",
        "|---|---|---|---|---|",
    ]
    for name, damage in DAMAGE.items():
        work = workload(damage, WORDS)
        CODE.decode(work.received, MESSAGE_BYTES)
        ours, theirs, ratios = [], [], []
        for _ in range(RUNS):
            words, pairs = work.received.copy(), as_bytearrays(work.received[:WORDS_BCHLIB])
            theirs.append(seconds(lambda pairs=pairs: run_bchlib(decoder, pairs)) / WORDS_BCHLIB)  # type: ignore[misc]
            ours.append(seconds(lambda words=words: CODE.decode(words, MESSAGE_BYTES, out=words)) / WORDS)  # type: ignore[misc]
            ratios.append(theirs[-1] / ours[-1])
        speed = MESSAGE_BYTES / median(ours) / 1e9
        lines.append(
            f"| {name} | {median(ours) * 1e6:.2f} | {speed:.2f} | {median(theirs) * 1e6:.2f} | {median(ratios):.1f} |"
        )
    sys.stdout.write("\n".join(lines) + "\n")


if __name__ == "__main__":
    main()
