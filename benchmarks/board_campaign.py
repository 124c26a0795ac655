"""A thousand dead boards: advice against practice, as a table.

    python benchmarks/board_campaign.py [FIRST [COUNT [RECORDS]]]

Every board is played in every way before the next one. The records, one JSON object a line, go to RECORDS if it is
given. The seeds of the report are 10000 to 10999; whoever changes the advice develops on others.
"""

import json
import sys
import time
from dataclasses import asdict
from pathlib import Path

from deadstick.simulate.board_campaign import WAYS, play, table


def main(first: int = 10_000, count: int = 1000, records: Path | None = None) -> None:
    """Play the boards and print the table."""
    start, found = time.time(), []
    for seed in range(first, first + count):
        for way in WAYS:
            record = play(seed, way)
            found.append(record)
            if records is not None:
                with records.open("a", encoding="utf-8") as lines:
                    lines.write(json.dumps(asdict(record)) + "\n")
    sys.stdout.write(f"{table(found)}\n\nseeds {first} to {first + count - 1}, {time.time() - start:.0f} s\n")


if __name__ == "__main__":
    given = [*sys.argv[1:], *("10000", "1000", "")[len(sys.argv) - 1 :]]
    main(int(given[0]), int(given[1]), Path(given[2]) if given[2] else None)
