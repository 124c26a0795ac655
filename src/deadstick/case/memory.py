"""How much memory the work took at most."""

import sys


def peak_memory_bytes() -> int:
    """Largest resident size so far of this process, or of a finished child if that was larger; 0 where unknown.

    Pages of the mapped dump count in while the system keeps them (getrusage(2), `ru_maxrss`).
    """
    if sys.platform == "win32":
        return 0
    import resource  # noqa: PLC0415 - does not exist on Windows

    largest = max(resource.getrusage(who).ru_maxrss for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    # Kibibytes, but bytes on macOS.
    return largest if sys.platform == "darwin" else 1024 * largest
