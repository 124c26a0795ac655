"""A small chip whose recipe is known, for tests of the case and of the commands.

Everything is the program's own but the solver, which knows the answer: what is tested here is what the case makes
of an answer. Nothing in it tells the later steps what lay on the chip.
"""

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import ParamSpec, TypeVar

import numpy as np

from deadstick.case import engines as engine_room
from deadstick.case.engines import Engines
from deadstick.files.records import Listing
from deadstick.files.scan import recover_files
from deadstick.flash.dump import Dump
from deadstick.progress import Progress
from deadstick.rebuild.disk_protocol import Disk
from deadstick.rebuild.image import write_image
from deadstick.rebuild.page_table import PageTable
from deadstick.rebuild.rebuild import Rebuilt, rebuild
from deadstick.recipe.code import Code
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.contents import SimFile, scenario_files
from deadstick.simulate.volume import fat_volume
from deadstick.solve.common.evidence import Finding, Rival, Solution
from deadstick.solve.hints.hints import Hints

P = ParamSpec("P")
T = TypeVar("T")

DISK_BYTES = 1 << 20
FILE_BYTES = 700_000
SPARE_BLOCKS = 6
RECIPE = Recipe(
    16,
    spare_groups(2112, 4, 512, 3, 13),
    Code(13, 0x201B, 8),
    None,
    Translation("block", BitField(0, 2), BitField(2, 1)),
)
FINDINGS = (
    Finding("page size", "2112 bytes", "comb of 40 teeth", -12.0, (Rival("4224 bytes", "comb of 20 teeth"),)),
    Finding("code", RECIPE.code.describe() if RECIPE.code else "", "40 of 40 codewords decode", -52.3),
)


def make_dump(path: Path, *, seed: int = 1, spoiled_pages: int = 0) -> list[SimFile]:
    """Write a dump; the files that lie on it.

    Args:
        path: of the dump.
        seed: of everything.
        spoiled_pages: pages in the middle of the volume's data that are beyond correction.
    """
    rng = np.random.default_rng(seed)
    files = scenario_files(seed, FILE_BYTES)
    logical = fat_volume(files, DISK_BYTES, seed).reshape(-1, RECIPE.layout.data_bytes)
    size = RECIPE.pages_per_block
    blocks = len(logical) // size
    places = rng.permutation(blocks + SPARE_BLOCKS)[:blocks]
    chip = np.full(((blocks + SPARE_BLOCKS) * size, RECIPE.layout.page_bytes), 0xFF, np.uint8)
    for number, place in enumerate(places.tolist()):
        pages = np.arange(place * size, (place + 1) * size, dtype=np.int64)
        metadata = np.zeros((size, RECIPE.layout.metadata_bytes), np.uint8)
        metadata[:, 0], metadata[:, 2] = number, 1 + rng.integers(200)
        chip[pages] = RECIPE.encode(logical[number * size : (number + 1) * size], metadata, pages)
        for page in pages.tolist():
            chip[page, rng.integers(2112)] ^= 1 << rng.integers(8)
    middle = int(places[blocks // 3]) * size
    chip[middle : middle + spoiled_pages] ^= rng.integers(0, 256, (spoiled_pages, 2112), dtype=np.uint8)
    path.write_bytes(chip.tobytes())
    return files


def know_it_all(outcome: str = "solved") -> Engines:
    """The program's engines, with a solver that knows the recipe, or that ends otherwise as asked."""

    def solve(dump: Dump | Sequence[Dump], hints: Hints, progress: Progress) -> Solution:
        size = dump.size if isinstance(dump, Dump) else sum(one.size for one in dump)
        progress("solve", size, size)
        if outcome == "solved":
            return Solution("solved", "every codeword decodes", hints.recipe or RECIPE, FINDINGS)
        if outcome == "encrypted":
            return Solution("encrypted", "the data are uniform and nothing repeats", None, FINDINGS[:1])
        if outcome == "unreadable":
            return Solution("unreadable", "every page is erased", None, ())
        return Solution("unsolved", "no code was proven", None, FINDINGS[:1])

    def rebuilt(dump: Dump | Sequence[Dump], recipe: Recipe, table: PageTable | None, progress: Progress) -> Rebuilt:
        return rebuild(dump, recipe, page_table=table, progress=progress)

    def files(disk: Disk, folder: Path, progress: Progress) -> Listing:
        return recover_files(disk, folder, progress=lambda done, total, _path: progress("files", done, total))

    return Engines(solve, rebuilt, write_image, files)


def before(engines: Engines, stage: str, act: Callable[[], None]) -> Engines:
    """The same engines, but `act` is called when `stage` begins."""

    def first(work: Callable[P, T]) -> Callable[P, T]:
        def watched(*arguments: P.args, **options: P.kwargs) -> T:
            act()
            return work(*arguments, **options)

        return watched

    changed: dict[str, Callable[[], Engines]] = {
        "solve": lambda: replace(engines, solve=first(engines.solve)),
        "rebuild": lambda: replace(engines, rebuild=first(engines.rebuild)),
        "write_image": lambda: replace(engines, write_image=first(engines.write_image)),
        "recover_files": lambda: replace(engines, recover_files=first(engines.recover_files)),
    }
    return changed[stage]()


def install(engines: Engines) -> None:
    """Make them the program's own, for this process."""
    engine_room.installed = lambda: engines
