"""How long the whole recovery takes, as a multiple of `sha256sum` over the same dump.

    python benchmarks/recover_against_sha256sum.py DUMP...

Both are whole processes, in turn, three times each; medians of wall time are printed as Markdown. The kernels are
compiled already (the first, uncounted run sees to that).
"""

import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

RUNS = 3


def seconds(command: list[str]) -> float:
    """Wall time of one process, which must not fail."""
    began = time.perf_counter()
    subprocess.run(command, check=True, capture_output=True)  # noqa: S603 - our own commands
    return time.perf_counter() - began


def measure(dump: Path) -> str:
    """One row of the table."""
    program = Path(sys.executable).parent / "deadstick"
    hashing, recovering = [], []
    for run in range(RUNS + 1):
        with tempfile.TemporaryDirectory() as folder:
            took = seconds([str(program), "recover", str(dump), "--case", f"{folder}/case", "--no-library"])
        hashed = seconds([shutil.which("sha256sum") or "sha256sum", str(dump)])
        if run:
            recovering.append(took)
            hashing.append(hashed)
    whole, base = statistics.median(recovering), statistics.median(hashing)
    size = dump.stat().st_size / 2**20
    return f"| {dump.name} | {size:.1f} MiB | {base:.3f} s | {whole:.1f} s | {whole / base:.0f} |"


def main() -> None:
    """Print the table for the dumps on the command line."""
    print("| dump | size | sha256sum | deadstick recover | ratio |\n|---|---|---|---|---|")  # noqa: T201
    for name in sys.argv[1:]:
        print(measure(Path(name)))  # noqa: T201 - the table is what this is for


if __name__ == "__main__":
    main()
