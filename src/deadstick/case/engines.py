"""The steps of the job as the case calls them; loaded late, because they bring compilers and C libraries along."""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

from deadstick.files.records import Listing
from deadstick.flash.dump import Dump
from deadstick.progress import Progress
from deadstick.rebuild.disk_protocol import Disk
from deadstick.rebuild.image import WrittenImage, write_image
from deadstick.rebuild.mapping import BlockTable
from deadstick.rebuild.page_table import PageTable
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.evidence import Solution
from deadstick.solve.hints.hints import Hints


class Rebuilt(Protocol):
    """A recipe applied to a dump."""

    @property
    def page_table(self) -> PageTable:
        """What became of every physical page."""

    @property
    def block_table(self) -> BlockTable:
        """Where every logical page lies."""

    @property
    def disk(self) -> Disk:
        """The logical disk."""


@dataclass(frozen=True, slots=True)
class Engines:
    """What does the work.

    Attributes:
        solve: finds the recipe, from the dump of one chip or one of each.
        rebuild: applies it to the same; takes the page table of an earlier run, where there is one.
        write_image: copies the disk into a sparse file.
        recover_files: writes `files/` and `deleted/` into a folder and lists them.
    """

    solve: Callable[[Dump | Sequence[Dump], Hints, Progress], Solution]
    rebuild: Callable[[Dump | Sequence[Dump], Recipe, PageTable | None, Progress], Rebuilt]
    write_image: Callable[[Disk, Path, Progress], WrittenImage]
    recover_files: Callable[[Disk, Path, Progress], Listing]


def installed() -> Engines:
    """The engines of this program."""
    from deadstick.files.scan import recover_files  # noqa: PLC0415 - late, see above
    from deadstick.rebuild.rebuild import rebuild  # noqa: PLC0415
    from deadstick.solve.solver import solve  # noqa: PLC0415

    return Engines(
        solve=solve,
        rebuild=lambda dump, recipe, table, progress: rebuild(dump, recipe, page_table=table, progress=progress),
        write_image=write_image,
        recover_files=lambda disk, folder, progress: recover_files(
            disk, folder, progress=lambda done, total, _path: progress("files", done, total)
        ),
    )
