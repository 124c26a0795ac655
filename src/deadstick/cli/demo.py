"""The demonstration: a stick dies in simulation, is recovered blind, and only then compared with what lay on it."""

import hashlib
import json
import shutil
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np

from deadstick.case.atomic import explained, write_atomic
from deadstick.case.recover import FILES, recover
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
from deadstick.simulate.contents import SimFile
from deadstick.simulate.controller import block_mapped_dump
from deadstick.simulate.draw import draw_primitive
from deadstick.simulate.history import History, scenario_history

DUMP, TRUTH, CASE = "dump.bin", "truth.json", "case"
KIND = "deadstick demo 1"
DISK_BYTES = 16 << 20
PAGES_PER_BLOCK = 64
RAW_BIT_ERROR_RATE = 1e-4


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
    """Make a dead stick in `folder`, unless it is there, and recover it.

    The recovery is given the path of the dump and nothing else. `truth.json` is opened when it has ended.

    Args:
        folder: new, empty, or of an earlier demonstration.
        seed: of everything that is drawn.
        progress: told about `simulate` and what `recover` tells.

    Raises:
        CaseError: the folder holds something else, or cannot be written.
    """
    with explained(folder):
        if not _is_whole(folder, seed):
            _clear(folder)
            _make(folder, seed, progress)
        result = recover([folder / DUMP], folder / CASE, progress=progress)
        return result, compare(result, folder)


def demo_recipe(seed: int) -> Recipe:
    """The controller of the demonstration; code, scrambler and fields are drawn."""
    rng = np.random.default_rng([seed, 7])
    polynomials = gf2poly.primitive_polynomials(14)
    code = Code(14, polynomials[int(rng.integers(len(polynomials)))], int(rng.integers(24, 41)), bit_order="lsb")
    width = int(rng.integers(18, 32))
    seeds = tuple(rng.integers(1, 1 << width, PAGES_PER_BLOCK).tolist())
    keystreams = LfsrKeystreams(draw_primitive(rng, width), seeds)
    first = int(rng.integers(0, 4))
    return Recipe(
        PAGES_PER_BLOCK,
        in_line(8832, 8, 1024, 8, code.parity_bytes),
        code,
        Scrambler("after_ecc", "page", keystreams),
        Translation("block", BitField(first, 2), BitField(first + 2, 2)),
    )


def compare(result: Result, folder: Path) -> Comparison:
    """Hold the files that were written against the truth.

    Args:
        result: of the recovery.
        folder: of the demonstration.
    """
    truth = _truth(folder)
    live: dict[str, str] = truth["live"]
    written = folder / CASE / FILES
    same = sum(_sha256(written / path) == sha256 for path, sha256 in live.items())
    wrong = tuple(file.path for file in result.files if _is_wrongly_exact(file, live))
    found = {file.sha256 for file in result.deleted}
    deleted: list[str] = truth["deleted"]
    return Comparison(len(live), same, wrong, len(deleted), sum(sha256 in found for sha256 in deleted))


def _is_wrongly_exact(file: FilePart, live: dict[str, str]) -> bool:
    return file.state is FileState.EXACT and live.get(file.path) != file.sha256


def _sha256(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest() if path.is_file() else ""


def _make(folder: Path, seed: int, progress: Progress) -> None:
    progress("simulate", 0, 1)
    recipe = demo_recipe(seed)
    history = scenario_history(seed, DISK_BYTES, steps=6)
    logical = DISK_BYTES // (recipe.layout.data_bytes * PAGES_PER_BLOCK)
    blocks = logical + logical // 2
    dump, _ = block_mapped_dump(history.states, recipe, blocks, seed, bad=1, wear_moves=4, rate=RAW_BIT_ERROR_RATE)
    content = dump.tobytes()
    folder.mkdir(parents=True, exist_ok=True)
    # The truth first: it marks the folder as ours, and its hash tells whether the dump is whole.
    write_atomic(folder / TRUTH, json.dumps(_told(history, seed, content), indent=1).encode())
    write_atomic(folder / DUMP, content)
    progress("simulate", 1, 1)


def _told(history: History, seed: int, dump: bytes) -> dict[str, Any]:
    def hashes(files: Sequence[SimFile]) -> dict[str, str]:
        return {file.path: hashlib.sha256(file.data).hexdigest() for file in files}

    return {
        "kind": KIND,
        "seed": seed,
        "dump_sha256": hashlib.sha256(dump).hexdigest(),
        "live": hashes(history.live),
        "deleted": list(hashes(history.deleted).values()),
    }


def _truth(folder: Path) -> dict[str, Any]:
    """The truth of a demonstration; empty where the folder holds none of ours."""
    try:
        values = json.loads((folder / TRUTH).read_bytes())
    except (FileNotFoundError, ValueError):
        return {}
    return values if isinstance(values, dict) and values.get("kind") == KIND else {}


def _is_whole(folder: Path, seed: int) -> bool:
    """Whether this very stick lies in the folder already."""
    truth = _truth(folder)
    return truth.get("seed") == seed and _sha256(folder / DUMP) == truth.get("dump_sha256")


def _clear(folder: Path) -> None:
    """Take away an earlier demonstration, and nothing else."""
    if not folder.exists():
        return
    if not folder.is_dir():
        raise CaseError(f"{folder}: this is a file; the demonstration needs a folder")
    if not any(folder.iterdir()):
        return
    if not _truth(folder):
        raise CaseError(f"{folder}: this folder has other files in it; choose a new one with --out")
    if (folder / CASE).exists():
        # Refuses a folder that is no case of ours.
        CaseStore.open(folder / CASE).close()
        shutil.rmtree(folder / CASE)
    (folder / DUMP).unlink(missing_ok=True)
    (folder / TRUTH).unlink()
