"""The reads of a job's chips, from the arguments to one dump per chip, with what was noticed on the way."""

import tempfile
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from deadstick.case.intake import Intake, take_in
from deadstick.errors import InputError
from deadstick.flash.dump import Dump
from deadstick.flash.examine import Examined, examine
from deadstick.flash.notice import Notice
from deadstick.flash.reads import Chip, Plan, VotedDump
from deadstick.progress import Progress
from deadstick.solve.common.evidence import Finding

READS = "reads"
"""The stage."""
VOTED = "voted"
"""How names of the files with votes begin."""

ChipPaths = tuple[Path, ...]
"""The reads of one chip."""


def chips_of(arguments: Sequence[Path | Sequence[Path]]) -> tuple[ChipPaths, ...]:
    """Arguments as chips: each argument is one, its reads joined by commas.

    A file whose own name has a comma is taken as it is, if it is there.

    Raises:
        InputError: there is nothing between two commas, or no argument.

    >>> [str(path) for path in chips_of([Path("a.bin,b.bin")])[0]]
    ['a.bin', 'b.bin']
    """
    if not arguments:
        raise InputError("no dump was given")
    return tuple(_reads(argument) if isinstance(argument, Path) else tuple(argument) for argument in arguments)


def _reads(argument: Path) -> ChipPaths:
    names = str(argument).split(",")
    if len(names) == 1 or argument.exists():
        return (argument,)
    if not all(name.strip() for name in names):
        raise InputError(f"{argument}: a read is missing before or after a comma; write READ1,READ2 without blanks")
    return tuple(Path(name) for name in names)


@dataclass(frozen=True)
class Inputs:
    """Everything that was given.

    Attributes:
        chips: the reads of each chip, hashed.
    """

    chips: tuple[tuple[Intake, ...], ...]

    @property
    def all(self) -> tuple[Intake, ...]:
        """Every read of every chip."""
        return tuple(intake for chip in self.chips for intake in chip)

    @property
    def seconds(self) -> float:
        """What the hashing took."""
        return sum(intake.seconds for intake in self.all)


def take_all_in(chips: Sequence[ChipPaths], progress: Progress) -> Inputs:
    """Open and hash every read.

    Args:
        chips: the reads of each chip.
        progress: told about the stage `hash`, in bytes, read by read.

    Raises:
        InputError: a file cannot be used.
    """
    return Inputs(tuple(tuple(take_in(path, progress) for path in chip) for chip in chips))


@dataclass(frozen=True)
class JoinedChip:
    """One chip, its reads examined.

    Attributes:
        chip: its reads.
        found: what was found out about them.
    """

    chip: Chip
    found: Examined

    @classmethod
    def of(cls, reads: Sequence[Dump], name: str = "") -> "JoinedChip":
        """Examine the reads of a chip; see `flash.examine`."""
        chip = Chip(reads)
        return cls(chip, examine(chip, name))

    @property
    def needs_vote(self) -> bool:
        """Whether the chip is anything else than one of its reads as it stands."""
        return not self.found.plan.is_plain

    def dump(self, vote: Path) -> Dump:
        """The chip as one dump.

        Args:
            vote: where the vote was written, if one is needed.
        """
        return dump_of(self.chip, self.found.plan, vote)


def dump_of(chip: Chip, plan: Plan, vote: Path) -> Dump:
    """A chip as one dump: its only read, or the vote that was written.

    Args:
        chip: its reads.
        plan: how they became one.
        vote: the file with the vote.

    Raises:
        InputError: the vote is missing or not of this plan.
    """
    if plan.is_plain:
        return next(read for read, part in zip(chip.reads, plan.reads, strict=True) if part.pieces)
    return VotedDump.of(vote, chip, plan)


def finding_of(notice: Notice, page_bytes: int | None = None) -> Finding:
    """A notice as the evidence holds it.

    Args:
        notice: what was noticed.
        page_bytes: data and spare area, where known, to name the page instead of the byte alone.
    """
    told = notice.with_page(page_bytes) if page_bytes else notice
    return Finding(told.question, told.answer, told.figure, told.log10_chance)


def notices_to_dicts(notices: Sequence[Notice]) -> list[dict[str, Any]]:
    """For the record of the case."""
    return [notice.to_dict() for notice in notices]


@contextmanager
def opened(argument: Path | Sequence[Path], progress: Progress) -> Iterator[tuple[Dump, tuple[Notice, ...]]]:
    """One chip for a command that writes nothing; its vote lies in a temporary folder for as long.

    Args:
        argument: the chip's reads, joined by commas, or one by one.
        progress: told about `contacts` and `vote`.

    Yields:
        The chip as one dump, and what was noticed.
    """
    (paths,) = chips_of([argument])
    reads = [Dump.open(path) for path in paths]
    progress("contacts", 0, 1)
    joined = JoinedChip.of(reads)
    progress("contacts", 1, 1)
    if not joined.needs_vote:
        yield joined.dump(paths[0]), joined.found.notices
        return
    with tempfile.TemporaryDirectory(prefix="deadstick-") as folder:
        vote = Path(folder) / VOTED
        joined.chip.write_vote(joined.found.plan, vote, progress)
        yield joined.dump(vote), joined.found.notices
