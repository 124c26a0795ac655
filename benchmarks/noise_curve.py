"""How far into the noise the search goes: its success against the raw bit error rate, beside the code's own limit.

    python benchmarks/noise_curve.py --seeds 8 --out noise.jsonl
    python benchmarks/noise_curve.py --plot noise.jsonl

Two classes of codes over 1 KiB: t = 24 and t = 40. Each seed is one controller, which is read at every rate. Success
is the campaign's "right": where the code loses words, what can be had must be right and no field may differ. The code's
own limit is the share of codewords with at most t errors, by the exact binomial distribution. The plot goes to
docs/pictures/noise-curve.svg, its figures to noise-curve.csv beside it.
"""

import argparse
from collections import defaultdict
from functools import partial
from pathlib import Path

import numpy as np
from campaign_kit import SECONDS_LIMIT, Record, campaign, read_records, run_case
from plot import Line, svg

from deadstick.codes.probability import failure_probability
from deadstick.simulate.draw import Ranges

RATES = (1e-4, 2e-4, 3e-4, 5e-4, 7e-4, 1e-3, 1.4e-3, 2e-3, 2.6e-3, 3.2e-3, 4e-3, 5e-3)
STRENGTHS = {24: "#b3541e", 40: "#1f5f8b"}
MESSAGE_BITS = 8 * 1024
M = 14
PICTURES = Path(__file__).resolve().parents[1] / "docs" / "pictures"


def ranges(t: int, rate: float) -> Ranges:
    """One class of controllers; the recipe depends on the seed alone, not on the rate."""
    return Ranges(
        page_data=(4096, 8192),
        codeword_data=(1024,),
        t=(t, t),
        pages_per_block=(32, 64),
        raw_bit_error_rate=rate,
        spread=0.0,
        disk_bytes=12 << 20,
        mapped_share=0.5,
    )


def one(seed: int, t: int, rate: float, limit: float) -> Record:
    """One search, with what the curve needs to know of it."""
    return run_case(seed, ranges(t, rate), limit) | {"t": t, "rate": rate}


def share_within_reach(t: int, rate: float) -> float:
    """Share of codewords that the code corrects."""
    return 1.0 - float(failure_probability(MESSAGE_BITS + M * t, t, rate))


def successes(records: list[Record]) -> dict[tuple[int, float], tuple[int, int]]:
    """(t, rate) -> right, all."""
    counted: dict[tuple[int, float], list[int]] = defaultdict(lambda: [0, 0])
    for record in records:
        counted[record["t"], record["rate"]][0] += record["verdict"] == "right"
        counted[record["t"], record["rate"]][1] += 1
    return {key: (right, total) for key, (right, total) in sorted(counted.items())}


def plot(records: list[Record], folder: Path) -> None:
    """Write the picture and its figures."""
    found = successes(records)
    fine = np.geomspace(min(RATES), max(RATES), 120).tolist()
    lines = []
    for t, colour in STRENGTHS.items():
        points = [(rate, right / total) for (strength, rate), (right, total) in found.items() if strength == t]
        if points:
            lines.append(Line(f"recipe right, t = {t}", points, colour))
        limit = [(rate, share_within_reach(t, rate)) for rate in fine]
        lines.append(Line(f"codewords within reach of t = {t}", limit, colour, dashed=True))
    title = "Success of the search against the raw bit error rate, beside the limit of the code"
    picture = svg(lines, title, "raw bit error rate", "share")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "noise-curve.svg").write_text(picture, encoding="utf-8")
    rows = [
        f"{t},{rate},{right},{total},{share_within_reach(t, rate):.6g}" for (t, rate), (right, total) in found.items()
    ]
    header = "t,raw_bit_error_rate,right,cases,codewords_within_reach"
    (folder / "noise-curve.csv").write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")


def main() -> None:
    """Run, or draw what was run."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--seeds", type=int, default=8, help="controllers of each class")
    parser.add_argument("--out", type=Path, default=Path("noise.jsonl"))
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--limit", type=float, default=SECONDS_LIMIT)
    parser.add_argument("--plot", type=Path, metavar="FILE", help="draw the curve from such a file")
    parser.add_argument("--pictures", type=Path, default=PICTURES, help="where the curve goes")
    given = parser.parse_args()
    if given.plot is None:
        jobs = (
            (f"{t} {rate} {seed}", partial(one, seed, t, rate, given.limit))
            for seed in range(given.seeds)
            for rate in RATES
            for t in STRENGTHS
        )
        campaign(given.out, jobs, given.jobs, show)
    plot(read_records(given.plot or given.out), given.pictures)


def show(record: Record) -> None:
    """One line for each search as it is done."""
    print(f"{record['key']}: {record['verdict']}, {record['seconds']:.1f} s", flush=True)  # noqa: T201


if __name__ == "__main__":
    main()
