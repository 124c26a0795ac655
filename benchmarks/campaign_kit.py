"""What the campaigns share: one drawn case, solved from its dump alone in a process of its own, and judged."""

import json
import multiprocessing
import resource
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from deadstick.flash.dump import Dump
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.draw import DrawnCase, Ranges, draw_case
from deadstick.simulate.judge import judge
from deadstick.solve.evidence import Solution
from deadstick.solve.solver import solve

Record = dict[str, Any]
SECONDS_LIMIT = 600.0
SPAWN = multiprocessing.get_context("spawn")
"""A fresh interpreter for each search: no memory, cache or figure of another case is in it."""


@dataclass(frozen=True)
class Search:
    """What a search in a process of its own gave.

    Attributes:
        solution: None where the process failed.
        seconds: from the opened dump to the recipe.
        peak_bytes: largest resident memory of the process; pages of the dump that it touched are in it.
        failure: what went wrong, empty where nothing did.
    """

    solution: Solution | None
    seconds: float
    peak_bytes: int
    failure: str


def search(path: Path, limit: float = SECONDS_LIMIT) -> Search:
    """Solve a dump in a fresh process, which gets the path and nothing else.

    Args:
        path: of the dump.
        limit: seconds after which the process is ended.
    """
    receiver, sender = SPAWN.Pipe(duplex=False)
    process = SPAWN.Process(target=_search, args=(str(path), sender))
    began = time.monotonic()
    process.start()
    sender.close()
    answer: Search | None = None
    try:
        if receiver.poll(limit):
            answer = receiver.recv()
    except EOFError:
        answer = Search(None, time.monotonic() - began, 0, "the process ended without an answer")
    if answer is None:
        process.kill()
        answer = Search(None, time.monotonic() - began, 0, f"no answer within {limit:.0f} s")
    process.join()
    receiver.close()
    return answer


def _search(path: str, sender: Connection) -> None:
    """The child: open, solve, send."""
    dump = Dump.open(path)
    began = time.perf_counter()
    solution, failure = None, ""
    try:
        solution = solve(dump)
    except Exception:  # noqa: BLE001 - a campaign counts every crash and names it
        failure = traceback.format_exc(limit=-3)
    seconds = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    sender.send(Search(solution, seconds, peak, failure))
    sender.close()


def run_case(seed: int, ranges: Ranges, limit: float = SECONDS_LIMIT) -> Record:
    """Draw, solve, judge.

    Args:
        seed: of the case.
        ranges: what may be drawn.
        limit: seconds for the search.

    Returns:
        What a line of the campaign's file holds.
    """
    began = time.perf_counter()
    case = draw_case(seed, ranges)
    return run_drawn(case, limit) | {"seed": seed, "draw_seconds": round(time.perf_counter() - began, 1)}


def run_drawn(case: DrawnCase, limit: float = SECONDS_LIMIT) -> Record:
    """Solve and judge a case that is drawn already."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "dump.bin"
        case.dump.tofile(path)
        found = search(path, limit)
        record: Record = {
            "dump_bytes": case.dump.size,
            "options": case.options,
            "true": case.recipe.describe(),
            "seconds": round(found.seconds, 2),
            "peak_memory_bytes": found.peak_bytes,
        }
        if found.solution is None:
            return record | {"verdict": "failed", "reason": found.failure}
        record["reason"] = f"{found.solution.outcome}: {found.solution.reason}"
        if found.solution.recipe is None:
            return record | {"verdict": "unsolved"}
        return record | _judged(path, case, found.solution.recipe)


def _judged(path: Path, case: DrawnCase, recipe: Recipe) -> Record:
    whole = case.plan.cut == 1.0
    result = judge(Dump.open(path), case.recipe, recipe, case.history.disk if whole else None)
    return {
        "verdict": result.verdict,
        "found": recipe.describe(),
        "share": result.share,
        "sectors": result.sectors,
        "wrong_exact": result.wrong_exact,
        "wrong_doubtful": result.wrong_doubtful,
        "differences": list(result.differences),
    }


def campaign(
    out: Path, jobs: Iterable[tuple[str, Callable[[], Record]]], workers: int, show: Callable[[Record], None]
) -> None:
    """Do what is not in the file yet, and add a line for each.

    Args:
        out: one JSON object a line, each with its "key".
        jobs: key and work; the work is sent to another process.
        workers: processes at a time.
        show: told every record.
    """
    done = {record["key"] for record in read_records(out)}
    with ProcessPoolExecutor(workers, mp_context=SPAWN) as pool, out.open("a", encoding="utf-8") as stream:
        waiting = {pool.submit(work): key for key, work in jobs if key not in done}
        for future in as_completed(waiting):
            record = {"key": waiting[future], **future.result()}
            stream.write(json.dumps(record) + "\n")
            stream.flush()
            show(record)


def read_records(path: Path) -> list[Record]:
    """The lines of a campaign's file; a last line that a stopped run left unfinished is left out.

    Raises:
        ValueError: another line than the last is broken.
    """
    if not path.exists():
        return []
    text = path.read_text(encoding="utf-8")
    whole = text[: text.rfind("\n") + 1]
    if len(whole) < len(text):
        path.write_text(whole, encoding="utf-8")
    return [json.loads(line) for line in whole.splitlines()]
