"""How often the chips of a drawn controller are read, how well, and what comes out."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.recipe import Recipe
from deadstick.simulate.draw_chip import ChipPlan, read_chip
from deadstick.simulate.draw_ranges import Ranges
from deadstick.simulate.history import History
from deadstick.simulate.interleaved import InterleavedController, interleaved_identity_dumps
from deadstick.simulate.nand import add_bit_errors

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Reading:
    """How the chips are read.

    Attributes:
        rates: for each dump and each of its reads the raw bit error rate, by the mean rate.
        lasting: of the errors at the mean rate, those that are the same in every read of a dump.
    """

    rates: tuple[tuple[float, ...], ...] = ((1.0,),)
    lasting: float = 0.0

    @property
    def is_single(self) -> bool:
        """Whether no chip is read twice."""
        return all(len(chip) == 1 for chip in self.rates)


def draw_reading(rng: np.random.Generator, ranges: Ranges, dumps: int) -> Reading:
    """Draw how often and how well each of some dumps is read."""
    least, most = ranges.reads
    counts = [int(count) for count in rng.integers(least, most + 1, dumps)]
    low, high = np.log(ranges.worn)
    rates = [np.exp(rng.uniform(low, high, count)) if most > 1 else np.ones(1) for count in counts]
    lasting = float(rng.uniform(*ranges.lasting))
    return Reading(tuple(tuple(chip.tolist()) for chip in rates), lasting)


def read_chips(
    plan: ChipPlan, recipe: Recipe, history: History, seed: int, ranges: Ranges, reading: Reading
) -> tuple[tuple[Bytes, ...], ...]:
    """Write the history to the chips and read them.

    Args:
        plan: how the controller lives.
        recipe: what it does to the pages.
        history: what the host writes.
        seed: of everything else.
        ranges: with the raw bit error rate.
        reading: how often and how well the chips are read.

    Returns:
        For each dump its reads, `uint8[bytes]` each; they may end early.
    """
    if recipe.interleave.is_none and reading.is_single:
        return ((read_chip(plan, recipe, history, seed, ranges),),)
    if recipe.interleave.is_none:
        clean = [read_chip(plan, recipe, history, seed, replace(ranges, raw_bit_error_rate=0.0))]
    else:
        clean = [dump[: int(len(dump) * plan.cut)] for dump in _spread_out(plan, recipe, history, seed)]
    block_bytes = recipe.pages_per_block * recipe.layout.page_bytes // recipe.interleave.lanes
    rate, spread = ranges.raw_bit_error_rate, ranges.spread
    reads = []
    for number, (dump, rates) in enumerate(zip(clean, reading.rates, strict=True)):
        noise = _seeds(seed, number)
        wear = next(noise)  # a weak block is weak in every read
        lasting = rate * reading.lasting if len(rates) > 1 else 0.0
        worn = np.ascontiguousarray(dump)
        add_bit_errors(worn, lasting, next(noise), spread=spread, block_bytes=block_bytes, wear=wear)
        chip = []
        for factor in rates:
            read = worn.copy()
            fresh = max(0.0, rate * factor - lasting)
            add_bit_errors(read, fresh, next(noise), spread=spread, block_bytes=block_bytes, wear=wear)
            chip.append(read)
        reads.append(tuple(chip))
    return tuple(reads)


def write_reads(reads: Sequence[Sequence[Bytes]], folder: Path) -> list[list[Path]]:
    """Write each read of each dump to a file of its own in a folder; the files, in the same order."""
    files = []
    for number, some in enumerate(reads):
        files.append([folder / f"chip{number}-read{read}.bin" for read in range(len(some))])
        for path, content in zip(files[-1], some, strict=True):
            content.tofile(path)
    return files


def _seeds(seed: int, dump: int) -> Iterator[int]:
    rng = np.random.default_rng([seed, 14, dump])
    while True:
        yield int(rng.integers(1 << 32))


def _spread_out(plan: ChipPlan, recipe: Recipe, history: History, seed: int) -> list[Bytes]:
    """The dumps of several chips or planes, without errors."""
    if recipe.translation.kind == "identity":
        return interleaved_identity_dumps(history.disk, recipe, plan.blocks, seed, metadata_fill=plan.metadata_fill)
    controller = InterleavedController(recipe, plan.blocks, seed, paired=plan.paired, **plan.habits)
    for state in history.states:
        controller.write(state)
        controller.level_wear(2)
    if not plan.erased:
        controller.use_up()
    return controller.chips()[0]
