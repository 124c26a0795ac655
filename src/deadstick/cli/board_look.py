"""`board look`: what the host sees."""

import re
from dataclasses import dataclass
from pathlib import Path

from deadstick.board.cautions import Step, cautions_for
from deadstick.board.host import Expected, Pattern, Sight, judge_log, judge_snapshots
from deadstick.board.host_evidence import host_evidence
from deadstick.board.host_log import last_attempt, read_log
from deadstick.board.host_tree import Snapshot, lsblk_now, read_lsblk, with_lsblk
from deadstick.board.host_tree import look as look_at
from deadstick.board.observations import note_evidence
from deadstick.cli import board_show
from deadstick.cli.board_bench import Bench
from deadstick.errors import HintError


@dataclass(frozen=True, slots=True)
class LookWords:
    """The words of the command."""

    log: Path | None
    port: str
    save: Path | None
    before: Path | None
    lsblk: Path | None
    root: Path
    expect_id: str | None
    expect_bytes: int | None


def look(given: LookWords, board: Path | None, journal: Path | None, by: str) -> int:
    """Save a snapshot, or judge what is new, and note it."""
    expected = _expected(given)
    if given.save is not None:
        if given.before or given.log or board:
            raise HintError("--save is for the host without the stick; --before, --log and --board come after it")
        _now(given).save(given.save)
        board_show.line(f"{given.save}: saved; now plug the stick in, and give --before {given.save}")
        board_show.cautions(cautions_for([Step.POWER]), sources=False)
        return 0
    if given.before is None and given.log is None:
        raise HintError("what is new cannot be told: give --before with what --save wrote, or --log with a kernel log")
    bench = Bench.open(board, journal) if board else None
    sight = _sight(given, expected)
    board_show.sight(sight)
    if bench is not None:
        diagnosis = bench.diagnosis()
        evidence = host_evidence(sight, bench.circuit, diagnosis.hypotheses.faults)
        noted = Bench(bench.circuit, note_evidence(bench.journal, evidence, by=by))
        board_show.after("noted as evidence", diagnosis.odds(), noted.diagnosis().odds())
    return 0


def _sight(given: LookWords, expected: Expected) -> Sight:
    seen = [judge_log(last_attempt(read_log(given.log), given.port), expected)] if given.log else []
    if given.before is not None:
        seen.append(judge_snapshots(Snapshot.load(given.before), _now(given), expected))
    # The one that came further tells more: a log may begin too late, and sysfs shows no failures.
    return max(seen, key=lambda one: one.pattern is not Pattern.NO_ATTACH)


def _now(given: LookWords) -> Snapshot:
    snapshot = look_at(given.root)
    if given.lsblk is not None:
        return read_lsblk(given.lsblk, snapshot)
    text = lsblk_now() if given.root == Path("/") else None
    return with_lsblk(snapshot, text) if text else snapshot


def _expected(given: LookWords) -> Expected:
    if given.expect_id is None:
        return Expected(bytes=given.expect_bytes)
    found = re.fullmatch(r"([0-9a-fA-F]{4}):([0-9a-fA-F]{4})", given.expect_id)
    if found is None:
        raise HintError(f"--expect-id {given.expect_id}: four hexadecimal digits, a colon, and four more")
    return Expected(found[1].lower(), found[2].lower(), given.expect_bytes)
