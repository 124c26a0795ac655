"""Draw controllers, solve their dumps blind, and judge the recipes.

    python benchmarks/solver_campaign.py --preset wide --seeds 0:200 --out wide.jsonl
    python benchmarks/solver_campaign.py --table wide.jsonl noisy.jsonl

Every case is a line of the file; a run that was stopped goes on where it was. With two jobs the searches share the
processor, so seconds are fair with one job only. What the words mean stands in docs/solver-campaign.md.
"""

import argparse
from collections import defaultdict
from collections.abc import Iterable
from functools import partial
from pathlib import Path
from statistics import median

from campaign_kit import SECONDS_LIMIT, Record, campaign, read_records, run_case

from deadstick.simulate.draw import PRESETS

VERDICTS = ("right", "incomplete", "wrong", "unsolved", "failed")


def arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--preset", choices=sorted(PRESETS), default="wide")
    parser.add_argument("--seeds", default="0:200", metavar="FIRST:END")
    parser.add_argument("--out", type=Path, default=Path("campaign.jsonl"))
    parser.add_argument("--jobs", type=int, default=1, help="cases at a time, each in a process of its own")
    parser.add_argument("--limit", type=float, default=SECONDS_LIMIT, help="seconds after which a search is ended")
    parser.add_argument("--table", type=Path, nargs="+", metavar="FILE", help="print the tables of such files")
    return parser.parse_args()


def main() -> None:
    """Run, or print the tables."""
    given = arguments()
    if given.table:
        for path in given.table:
            print(tables(path.stem, read_records(path)))  # noqa: T201 - the tables are what this is for
        return
    first, end = (int(word) for word in given.seeds.split(":"))
    work = partial(run_case, ranges=PRESETS[given.preset], limit=given.limit)
    jobs = ((f"{given.preset} {seed}", partial(work, seed)) for seed in range(first, end))
    campaign(given.out, jobs, given.jobs, show)


def show(record: Record) -> None:
    """One line for each case as it is done."""
    what = "; ".join(record.get("differences", ())) or record["reason"].strip().splitlines()[-1]
    print(f"{record['key']}: {record['verdict']}, {record['seconds']:.1f} s; {what}", flush=True)  # noqa: T201


def tables(name: str, records: list[Record]) -> str:
    """Markdown: the whole, by option, and every case that is not right."""
    if not records:
        return f"## {name}\n\nNo case."
    by_option: dict[tuple[str, str], list[Record]] = defaultdict(list)
    for record in records:
        for option, value in record["options"].items():
            by_option[option, value].append(record)
    counts = {verdict: sum(record["verdict"] == verdict for record in records) for verdict in VERDICTS}
    peak = max(record["peak_memory_bytes"] for record in records)
    dumps = [record["dump_bytes"] for record in records]
    return "\n".join(
        [
            f"## {name}",
            "",
            f"{len(records)} cases of {min(dumps) / 2**20:.0f} to {max(dumps) / 2**20:.0f} MiB: "
            + ", ".join(f"{count} {verdict} ({count / len(records):.1%})" for verdict, count in counts.items())
            + f". Largest memory of a search: {peak / 2**30:.2f} GiB.",
            "",
            "| option | value | cases | right | share | median | worst |",
            "|---|---|---:|---:|---:|---:|---:|",
            row("all", "", records),
            *(row(option, value, by_option[option, value]) for option, value in in_order(by_option)),
            "",
            *failures(records),
        ]
    )


def in_order(keys: Iterable[tuple[str, str]]) -> list[tuple[str, str]]:
    """Options in the order of their first appearance, the values of each by number or by name."""
    listed = list(keys)
    options = list(dict.fromkeys(option for option, _ in listed))
    return sorted(listed, key=lambda key: (options.index(key[0]), _by_number(key[1])))


def _by_number(value: str) -> tuple[int, str]:
    digits = "".join(character if character.isdigit() else " " for character in value).split()
    return (int(digits[0]) - value.startswith("below") if digits else 0, value)


def row(option: str, value: str, records: list[Record]) -> str:
    """One row of the table by option."""
    right = sum(record["verdict"] == "right" for record in records)
    seconds = [record["seconds"] for record in records]
    return (
        f"| {option} | {value} | {len(records)} | {right} | {right / len(records):.0%} "
        f"| {median(seconds):.1f} s | {max(seconds):.1f} s |"
    )


def failures(records: list[Record]) -> list[str]:
    """Every case that is not right, worst kind first, with what was drawn and what went wrong."""
    bad = sorted(
        (record for record in records if record["verdict"] != "right"),
        key=lambda record: (-VERDICTS.index(record["verdict"]), record["seed"]),
    )
    if not bad:
        return ["Every case is right."]
    lines = ["| seed | verdict | seconds | what went wrong | what was drawn |", "|---:|---|---:|---|---|"]
    for record in bad:
        wrong = "; ".join(record.get("differences", ())) or record["reason"].strip().splitlines()[-1]
        if "share" in record:
            wrong += f"; {record['share']:.2%} of the sectors right, {record['wrong_exact']} wrong and claimed"
        true = record["true"]
        parts = [true["page"], record["options"]["shape"], true["code"], true["scrambler"]]
        if true.get("interleave", "none") != "none":
            parts.append(true["interleave"])
        if "reads" in record["options"]:
            parts.append(f"{record['options']['reads']} reads")
        drawn = "; ".join(parts)
        rest = ", ".join(record["options"][key] for key in ("seed rule", "fill", "mapping", "end"))
        lines.append(
            f"| {record['seed']} | {record['verdict']} | {record['seconds']:.0f} | {wrong} | {drawn}; {rest} |"
        )
    return lines


if __name__ == "__main__":
    main()
