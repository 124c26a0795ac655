"""What the campaigns share: one drawn case, solved from its dumps alone in a process of its own, and judged."""

import json
import multiprocessing
import resource
import sys
import tempfile
import time
import traceback
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from contextlib import ExitStack
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

from deadstick.case.reads import opened
from deadstick.flash.dump import Dump
from deadstick.progress import silent
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.draw import DrawnCase, Ranges, draw_case
from deadstick.simulate.draw_reads import write_reads
from deadstick.simulate.judge import judge
from deadstick.solve.common.evidence import Solution
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
        seconds: from the opened dumps to the recipe; several reads of a chip are voted on before.
        peak_bytes: largest resident memory of the process; pages of the dumps that it touched are in it.
        failure: what went wrong, empty where nothing did.
    """

    solution: Solution | None
    seconds: float
    peak_bytes: int
    failure: str


def search(chips: Sequence[Sequence[Path]], limit: float = SECONDS_LIMIT) -> Search:
    """Solve dumps in a fresh process, which gets their paths and nothing else.

    Args:
        chips: the reads of each chip.
        limit: seconds after which the process is ended.
    """
    receiver, sender = SPAWN.Pipe(duplex=False)
    process = SPAWN.Process(target=_search, args=(chips, sender))
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


def _search(chips: Sequence[Sequence[Path]], sender: Connection) -> None:
    """The child: open, solve, send."""
    solution, failure = None, ""
    began = time.perf_counter()
    try:
        with ExitStack() as stack:
            dumps = _opened(chips, stack)
            began = time.perf_counter()
            solution = solve(dumps[0] if len(dumps) == 1 else dumps)
    except Exception:  # noqa: BLE001 - a campaign counts every crash and names it
        failure = traceback.format_exc(limit=-3)
    seconds = time.perf_counter() - began
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * (1 if sys.platform == "darwin" else 1024)
    sender.send(Search(solution, seconds, peak, failure))
    sender.close()


def _opened(chips: Sequence[Sequence[Path]], stack: ExitStack) -> list[Dump]:
    """Each chip as one dump, as the commands open it: several reads are examined and voted on."""
    return [stack.enter_context(opened(reads, silent))[0] for reads in chips]


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
        chips = write_reads(case.reads, Path(folder))
        found = search(chips, limit)
        record: Record = {
            "dump_bytes": sum(reads[0].size for reads in case.reads),
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
        return record | _judged(chips, case, found.solution.recipe)


def _judged(chips: Sequence[Sequence[Path]], case: DrawnCase, recipe: Recipe) -> Record:
    whole = case.plan.cut == 1.0
    with ExitStack() as stack:
        result = judge(_opened(chips, stack), case.recipe, recipe, case.history.disk if whole else None)
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
