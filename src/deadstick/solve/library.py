"""Recipes that this machine has solved, tried first on the next dump, and proven there like any other hypothesis.

The library is a folder of recipe files. Each is a recipe as `--recipe` takes it, with one more table: the fingerprint
of the dump on which it was solved. Nothing in a file tells whose dump that was. Copy files, or the folder, to a
colleague. Jobs of several chips have a look-up of their own, `library_several`.
"""

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from time import monotonic

import numpy as np
import tomlkit
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from deadstick.errors import RecipeError
from deadstick.progress import Progress, silent
from deadstick.recipe import toml
from deadstick.recipe.recipe import Recipe
from deadstick.solve import findings
from deadstick.solve.check_hints import contradictions
from deadstick.solve.chip_set import ChipSet
from deadstick.solve.evidence import Finding, Rival, Solution
from deadstick.solve.fingerprint import Fingerprint, fingerprint, similarity
from deadstick.solve.hints import Hints
from deadstick.solve.prove import Proof, given_finding, weigh

VARIABLE = "DEADSTICK_LIBRARY"
"""Environment variable with the folder; empty for no library."""
SECONDS = 20.0
"""No further recipe is measured or tried after so long; the search would do as well."""
MOST_PROVEN = 12
UNKNOWN = Fingerprint(0, 0, 0.0, (), 0, 0.0)


class _FingerprintTable(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)
    excess: float
    steady: list[tuple[int, int]]
    shown: float


class _LibraryTable(BaseModel):
    model_config = ConfigDict(extra="ignore", frozen=True)
    fingerprint: _FingerprintTable | None = None


@dataclass(frozen=True)
class Entry:
    """One recipe of a library.

    Attributes:
        path: its file.
        recipe: what the file says.
        fingerprint: of the dump on which it was solved; None where the file has none.
    """

    path: Path
    recipe: Recipe
    fingerprint: _FingerprintTable | None


@dataclass(frozen=True)
class LookUp:
    """What a library had to say.

    Attributes:
        solution: of the first recipe that was proven; None where none was.
        finding: which recipes were tried, with their figures; None for an empty library.
    """

    solution: Solution | None
    finding: Finding | None

    def noted(self, solution: Solution) -> Solution:
        """What the search found instead, with what the library had to say."""
        return solution if self.finding is None else replace(solution, findings=(self.finding, *solution.findings))


def default_folder() -> Path | None:
    """Where recipes are kept unless told otherwise; None where the environment says that there is no library.

    `DEADSTICK_LIBRARY`, else the user's data folder: `XDG_DATA_HOME` (XDG Base Directory Specification),
    `LOCALAPPDATA` on Windows, `~/Library/Application Support` on macOS.
    """
    if VARIABLE in os.environ:
        return Path(os.environ[VARIABLE]) if os.environ[VARIABLE] else None
    if sys.platform == "win32":
        base = Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local")
    elif sys.platform == "darwin":
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_DATA_HOME") or Path.home() / ".local" / "share")
    return base / "deadstick" / "recipes"


def entries(folder: Path) -> tuple[tuple[Entry, ...], tuple[str, ...]]:
    """Every recipe of a library, and a line for every file that cannot be used.

    Args:
        folder: of recipe files; it need not exist.
    """
    found, unusable = [], []
    for path in sorted(folder.glob("*.toml")):
        try:
            table = _LibraryTable.model_validate(toml.read(path).get("library", {}))
            found.append(Entry(path, toml.load(path), table.fingerprint))
        except RecipeError as error:
            unusable.append(str(error))
        except ValidationError as error:
            first = error.errors()[0]
            unusable.append(f"{path}: library.{'.'.join(str(part) for part in first['loc'])}: {first['msg']}")
    return tuple(found), tuple(unusable)


def look_up(data: NDArray[np.uint8], hints: Hints, progress: Progress = silent) -> LookUp:
    """Try the recipes of `hints.library`, those of a similar fingerprint first, until one is proven.

    Args:
        data: `uint8[bytes]`, the dump.
        hints: with the folder; recipes that contradict the hints are left out.
        progress: told about `library`.
    """
    if hints.library is None:
        return LookUp(None, None)
    known, unusable = entries(hints.library)
    # A recipe for several chips says nothing of one alone.
    fitting = [entry for entry in known if entry.recipe.interleave.dumps == 1]
    fitting = [entry for entry in fitting if not any(contradictions(entry.recipe, hints))]
    if not known and not unusable:
        return LookUp(None, None)
    deadline = monotonic() + SECONDS
    ranked = _ranked(data, fitting, deadline)
    tried: list[Rival] = []
    for number, (likeness, entry) in enumerate(ranked[:MOST_PROVEN]):
        if monotonic() > deadline and number:
            break
        progress("library", number, len(ranked))
        proof = weigh(data, entry.recipe, is_trusted=False)
        if proof.is_sure:
            return _solved(entry, proof, likeness, tried)
        tried.append(Rival(entry.path.name, f"{proof.figure()}; fingerprint {likeness:.0%} alike", proof.log10_chance))
    return LookUp(None, none_fits(known, unusable, tried))


def _ranked(data: NDArray[np.uint8], known: Sequence[Entry], deadline: float) -> list[tuple[float, Entry]]:
    """The recipes, the most similar first; those without a fingerprint, or beyond the time, last."""
    ranked = []
    for entry in known:
        likeness = 0.0
        fits = len(data) >= entry.recipe.layout.page_bytes
        if fits and monotonic() < deadline:
            likeness = alike(data, entry)
        if fits:
            ranked.append((likeness, entry))
    return sorted(ranked, key=lambda pair: (-pair[0], pair[1].path.name))


def alike(data: NDArray[np.uint8], entry: Entry) -> float:
    """How alike a dump looks to the one on which a recipe was solved, 0 to 1; 0 where nobody noted how that looked.

    Args:
        data: `uint8[bytes]`, a chip.
        entry: with the recipe.
    """
    if entry.fingerprint is None:
        return 0.0
    seen = fingerprint(data, entry.recipe)
    return similarity(seen, _complete(entry.fingerprint, seen))


def _complete(table: _FingerprintTable, seen: Fingerprint) -> Fingerprint:
    return Fingerprint(
        seen.page_bytes,
        seen.lag,
        table.excess,
        tuple(table.steady),
        seen.register,
        table.shown,
    )


def _solved(entry: Entry, proof: Proof, likeness: float, tried: list[Rival]) -> LookUp:
    figure = f"{proof.figure()}; its fingerprint is {likeness:.0%} alike"
    if proof.refound is not None:
        figure += f"; its own translation gave {proof.own_volume:.0f} bits and was replaced"
    meaning = "a wrong recipe decodes one codeword in t! and makes no volume; the fingerprint proves nothing"
    chance = proof.log10_chance if proof.recipe.code else -proof.volume * float(np.log10(2))
    found = Finding("library", f"from the library, file {entry.path.name}", figure, chance, tuple(tried), meaning)
    answers = [found, given_finding(proof)]
    if proof.refound is not None:
        answers += [findings.block_size(proof.refound), findings.translation(proof.refound)]
    reason = f"the recipe {entry.path.name} of the library decodes the dump"
    return LookUp(Solution("solved", reason, proof.recipe, tuple(answers)), found)


def none_fits(known: Sequence[Entry], unusable: Sequence[str], tried: list[Rival]) -> Finding:
    """What is said where no recipe was proven.

    Args:
        known: all recipes of the library.
        unusable: a line for each file that is none.
        tried: recipes with what was seen under them.
    """
    figure = f"{len(tried)} of {len(known)} recipes were tried, none was proven"
    if unusable:
        figure += f"; {len(unusable)} files cannot be used: {unusable[0]}"
    return Finding("library", "none of its recipes fits", figure, None, tuple(tried))


def add(folder: Path, data: NDArray[np.uint8] | Sequence[NDArray[np.uint8]], recipe: Recipe) -> Path | None:
    """Put a solved recipe into a library, unless it is there. No file is ever overwritten.

    A recipe for several dumps is kept as it would be had they been given in their order, so that it is kept once.

    Args:
        folder: of the library; made if need be.
        data: `uint8[bytes]`, the dump on which the recipe was proven; of several chips one each.
        recipe: proven.

    Returns:
        The new file; None where the recipe was there already, has no code, by which a dump could prove it, or is for
        several dumps whose order was not proven.

    Raises:
        OSError: the folder cannot be written.
    """
    dumps = [data] if isinstance(data, np.ndarray) else list(data)
    if recipe.code is None or (len(dumps) > 1 and not recipe.interleave.sure):
        return None
    first = ChipSet(tuple(dumps), recipe.interleave.chips).first
    recipe = replace(recipe, interleave=recipe.interleave.in_order)
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / name_of(recipe)
    if path.exists():
        return None
    measured = fingerprint(first, recipe)
    table = {"excess": round(measured.excess, 5), "steady": measured.steady, "shown": round(measured.shown, 6)}
    handle, fresh_name = tempfile.mkstemp(prefix=".new-", suffix=".part", dir=folder)
    os.close(handle)
    fresh = Path(fresh_name)
    try:
        toml.save(recipe, fresh)
        with fresh.open("a", encoding="utf-8") as stream:
            stream.write("\n# How a dump under this recipe looks; it ranks recipes and proves none.\n")
            stream.write(tomlkit.dumps({"library": {"fingerprint": table}}))
            stream.flush()
            os.fsync(stream.fileno())
        return _published(fresh, path)
    finally:
        fresh.unlink(missing_ok=True)


def _published(fresh: Path, path: Path) -> Path | None:
    """Give a finished file its name, in one step, unless somebody else has taken the name meanwhile."""
    fresh.chmod(0o644)
    try:
        os.link(fresh, path)
    except FileExistsError:
        return None
    except OSError:  # a file system without hard links
        if path.exists():
            return None
        fresh.rename(path)
    return path


def name_of(recipe: Recipe) -> str:
    """The file name of a recipe: what it is, and a digest of all that it says."""
    digest = hashlib.sha256(json.dumps(toml.to_dict(recipe), sort_keys=True).encode()).hexdigest()[:10]
    code = recipe.code
    kind = f"{code.family}-m{code.m}-t{code.t}" if code is not None else "no-code"
    return f"page-{recipe.layout.page_bytes}-{kind}-{digest}.toml"
