"""The demonstration: a stick dies in simulation, is recovered blind, and only then compared with what lay on it."""

import hashlib
import json
import shutil
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from deadstick.case.atomic import explained, write_atomic
from deadstick.case.intake import check_folder
from deadstick.case.job import FILES
from deadstick.case.recover import recover
from deadstick.case.result import NAME as RESULT
from deadstick.case.result import FilePart, Result
from deadstick.case.store import CaseStore
from deadstick.codes import gf2poly
from deadstick.errors import CaseError
from deadstick.files.records import FileState
from deadstick.progress import Progress
from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.controller import block_mapped_dump
from deadstick.simulate.draw import draw_primitive
from deadstick.simulate.history import History, scenario_history

DUMP, CASE = "dump.bin", "case"
MARK = "demo.json"
"""Marks a folder as a demonstration of ours; it tells nothing about what lay on the stick."""
KIND = "deadstick demo 2"
DISK_BYTES = 16 << 20
PAGES_PER_BLOCK = 64
RAW_BIT_ERROR_RATE = 2e-4


@dataclass(frozen=True, slots=True)
class Comparison:
    """What came out, beside what lay on the stick.

    Attributes:
        live: files on the stick when it died.
        same: of them, how many were written out byte for byte.
        wrongly_exact: files that were called exact and are not what lay on the stick.
        deleted: files that had been deleted.
        deleted_same: of them, how many were found byte for byte.
    """

    live: int
    same: int
    wrongly_exact: tuple[str, ...]
    deleted: int
    deleted_same: int


def demo(folder: Path, seed: int, progress: Progress) -> tuple[Result, Comparison]:
    """Make a dead stick in `folder` and recover it.

    The recovery is given the path of the dump and nothing else; what lay on the stick is kept in memory. A recovery
    that was stopped goes on; one that had ended is done anew.

    Args:
        folder: new, empty, or of an earlier demonstration.
        seed: of everything that is drawn.
        progress: told about `simulate` and what `recover` tells.

    Raises:
        CaseError: the folder holds something else, or cannot be written.
    """
    with explained(folder):
        _check_folder(folder)
        progress("simulate", 0, 1)
        dump, history = simulated(seed)
        progress("simulate", 1, 1)
        if not _is_begun(folder, dump):
            _clear(folder)
            _write(folder, dump)
        result = recover([folder / DUMP], folder / CASE, progress=progress)
        return result, compare(result, folder / CASE, history)


def simulated(seed: int) -> tuple[bytes, History]:
    """A dead stick: the dump of its chip, and what lay on it.

    Args:
        seed: equal seeds give equal sticks.
    """
    recipe = demo_recipe(seed)
    history = scenario_history(seed, DISK_BYTES, steps=6)
    logical = DISK_BYTES // (recipe.layout.data_bytes * PAGES_PER_BLOCK)
    blocks = logical + logical // 2
    dump, _ = block_mapped_dump(history.states, recipe, blocks, seed, bad=1, wear_moves=4, rate=RAW_BIT_ERROR_RATE)
    return dump.tobytes(), history


def demo_recipe(seed: int) -> Recipe:
    """The controller of the demonstration; polynomials, seeds and fields are drawn."""
    rng = np.random.default_rng([seed, 7])
    polynomials = gf2poly.primitive_polynomials(14)
    code = Code(14, polynomials[int(rng.integers(len(polynomials)))], 40, bit_order="lsb")
    width = int(rng.integers(18, 32))
    seeds = tuple(rng.integers(1, 1 << width, PAGES_PER_BLOCK).tolist())
    keystreams = LfsrKeystreams(draw_primitive(rng, width), seeds)
    first = int(rng.integers(0, 3))
    return Recipe(
        PAGES_PER_BLOCK,
        in_line(8832, 8, 1024, 6, code.parity_bytes),
        code,
        Scrambler("after_ecc", "page", keystreams),
        Translation("block", BitField(first, 2), BitField(first + 2, 2)),
    )


def compare(result: Result, case: Path, history: History) -> Comparison:
    """Hold the files that were written against what lay on the stick.

    Args:
        result: of the recovery.
        case: its folder.
        history: what lay on the stick.
    """
    live = {file.path: hashlib.sha256(file.data).hexdigest() for file in history.live}
    same = sum(_sha256(case / FILES / path) == sha256 for path, sha256 in live.items())
    wrong = tuple(file.path for file in result.files if _is_wrongly_exact(file, live))
    found = {file.sha256 for file in result.deleted}
    deleted = [hashlib.sha256(file.data).hexdigest() for file in history.deleted]
    return Comparison(len(live), same, wrong, len(deleted), sum(sha256 in found for sha256 in deleted))


def _is_wrongly_exact(file: FilePart, live: dict[str, str]) -> bool:
    return file.state is FileState.EXACT and live.get(file.path) != file.sha256


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _check_folder(folder: Path) -> None:
    """Refuse a folder that is not ours, before any work."""
    if folder.exists() and not folder.is_dir():
        raise CaseError(f"{folder}: this is a file; the demonstration needs a folder")
    if folder.exists() and any(folder.iterdir()) and not _is_ours(folder):
        raise CaseError(f"{folder}: this folder has other files in it; choose a new one with --out")


def _is_ours(folder: Path) -> bool:
    try:
        values = json.loads((folder / MARK).read_bytes())
    except (FileNotFoundError, ValueError):
        return False
    return isinstance(values, dict) and values.get("kind") == KIND


def _is_begun(folder: Path, dump: bytes) -> bool:
    """Whether a recovery of this very stick was begun here and did not end."""
    same = _sha256(folder / DUMP) == hashlib.sha256(dump).hexdigest()
    return same and not (folder / CASE / RESULT).exists()


def _clear(folder: Path) -> None:
    """Take away an earlier demonstration, and nothing else."""
    case = folder / CASE
    if case.exists():
        # Both refuse what is no case of ours.
        if check_folder(case, ()):
            CaseStore.open(case).close()
        shutil.rmtree(case)
    (folder / DUMP).unlink(missing_ok=True)


def _write(folder: Path, dump: bytes) -> None:
    folder.mkdir(parents=True, exist_ok=True)
    # The mark first: what a kill leaves is ours then.
    write_atomic(folder / MARK, json.dumps({"kind": KIND}).encode() + b"\n")
    write_atomic(folder / DUMP, dump)
