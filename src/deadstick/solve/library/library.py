"""Recipes that this machine has solved, kept in a folder of recipe files.

Each file is a recipe as `--recipe` takes it, with one more table: the fingerprint of the dump on which it was solved.
Nothing in a file tells whose dump that was. Copy files, or the folder, to a colleague. On the next dump they are tried
first, see `library_look_up`.
"""

import hashlib
import json
import os
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import tomlkit
from numpy.typing import NDArray
from pydantic import BaseModel, ConfigDict, ValidationError

from deadstick.errors import RecipeError
from deadstick.recipe import toml
from deadstick.recipe.recipe import Recipe
from deadstick.solve.interleave.chip_set import ChipSet
from deadstick.solve.library.fingerprint import fingerprint

VARIABLE = "DEADSTICK_LIBRARY"
"""Environment variable with the folder; empty for no library."""


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
