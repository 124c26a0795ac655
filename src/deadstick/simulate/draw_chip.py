"""How a drawn controller lives: its blocks, which are bad or erased, what its counters count, where the read ends."""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.simulate.controller import BlockMappedController, Counter, Habits, identity_dump
from deadstick.simulate.draw_ranges import Ranges
from deadstick.simulate.history import History

SPARE_BLOCKS = 4
OLD_SHARE = 4
"""One block in so many holds an older copy, or is erased."""


@dataclass(frozen=True, slots=True)
class ChipPlan:
    """Sizes and habits, drawn before the contents are.

    Attributes:
        blocks: of each chip.
        disk_bytes: of the disk; the last logical block may not be filled.
        first_sector: 0 for a bare volume, else the LBA of the partition.
        erased: whether blocks stay erased.
        bad: bad blocks; of each unit, that is plane of a chip, where there are several.
        system: blocks with tables of the controller, likewise.
        counter: what the version counts.
        first_version: its first value.
        page_field: a decoy that holds the page's place in its block.
        metadata_fill: the byte in metadata columns that no field uses.
        repeat: whether every codeword repeats the metadata of the first.
        skip_blank: whether logical blocks that were never written stay unmapped.
        cut: share of each dump that was read.
        paired: whether several units act in step, so that the blocks of a group lie at the same place in each.
    """

    blocks: int
    disk_bytes: int
    first_sector: int = 0
    erased: bool = True
    bad: int = 1
    system: int = 0
    counter: Counter = "block"
    first_version: int = 1
    page_field: BitField | None = None
    metadata_fill: int = 0xFF
    repeat: bool = False
    skip_blank: bool = False
    cut: float = 1.0
    paired: bool = True

    @property
    def habits(self) -> Habits:
        """What a controller with block mapping is told."""
        return {
            "bad": self.bad,
            "system": self.system,
            "counter": self.counter,
            "first_version": self.first_version,
            "page_field": self.page_field,
            "metadata_fill": self.metadata_fill,
            "repeat": self.repeat,
            "skip_blank": self.skip_blank,
        }


def draw_chip(rng: np.random.Generator, ranges: Ranges, recipe: Recipe) -> ChipPlan:
    """Draw sizes and habits for a recipe."""
    mapped = recipe.translation.kind == "block"
    erased = not rng.random() < ranges.unerased_share
    cut = float(rng.uniform(0.8, 0.99)) if rng.random() < ranges.cut_share else 1.0
    vary = ranges.controllers_vary
    bad, system = (int(rng.integers(0, 4)), int(rng.integers(0, 3))) if vary and mapped else (1, 0)
    # Of the disk, the blocks that go together; one of each unit.
    block = recipe.pages_per_block * recipe.layout.data_bytes * recipe.interleave.ways
    if ranges.dump_bytes is None:
        logical = -(-ranges.disk_bytes // block)
        extra = SPARE_BLOCKS + logical // OLD_SHARE if mapped else 3
        plan = ChipPlan(logical + extra, ranges.disk_bytes, erased=erased, bad=bad, system=system, cut=cut)
    else:
        blocks = _draw_blocks(rng, ranges.dump_bytes, recipe)
        usable = blocks - bad - system - SPARE_BLOCKS
        logical = usable - usable // (OLD_SHARE + 1) if mapped else blocks - (3 if erased else 0)
        # Disks end anywhere in their last block.
        unused = int(rng.integers(0, block // 1024)) * 512 if erased else 0
        plan = ChipPlan(blocks, logical * block - unused, erased=erased, bad=bad, system=system, cut=cut)
    plan = replace(plan, blocks=plan.blocks * recipe.interleave.planes)
    return _with_habits(rng, plan, recipe) if vary else plan


def least_blocks(ranges: Ranges) -> int:
    """Blocks that a unit should have at the least: so many that a few of them tell nothing."""
    return 12 if ranges.dump_bytes is None else 14


def _draw_blocks(rng: np.random.Generator, dump_bytes: tuple[int, int], recipe: Recipe) -> int:
    """Blocks of each unit, where the size of all dumps is drawn evenly by its logarithm."""
    block = recipe.pages_per_block * recipe.layout.page_bytes * recipe.interleave.ways
    low, high = max(dump_bytes[0], 14 * block), max(dump_bytes[1], 14 * block)
    return max(14, int(np.exp(rng.uniform(np.log(low), np.log(high))) / block))


def _with_habits(rng: np.random.Generator, plan: ChipPlan, recipe: Recipe) -> ChipPlan:
    version = recipe.translation.version
    counter: Counter = "global" if version is not None and version.length > 1 and rng.random() < 0.5 else "block"
    # No counter wraps here: it starts in the lower half, and a byte counts one block's copies alone.
    most = 100 if version is None else min(version.all_ones // 2, 1 << 30)
    layout = recipe.layout
    each = layout.metadata_bytes // len(layout.codewords)
    fields = [recipe.translation.logical_number, version]
    used = max((field.first_byte + field.length for field in fields if field is not None), default=0)
    room = layout.metadata_bytes > used
    return replace(
        plan,
        # As `fat_volume` has it: a partition begins at 1 MiB where the disk has room for that.
        first_sector=int(rng.choice([0, 64 if plan.disk_bytes < 16 << 20 else 2048])),
        counter=counter,
        first_version=int(rng.integers(1, most)),
        page_field=BitField(used, 1) if room and rng.random() < 0.3 and recipe.pages_per_block <= 256 else None,
        metadata_fill=int(rng.choice([0xFF, 0xFF, 0x00, int(rng.integers(256))])),
        repeat=bool(used and used <= each and rng.random() < 0.3),
        skip_blank=bool(rng.random() < 0.4),
    )


def read_chip(plan: ChipPlan, recipe: Recipe, history: History, seed: int, ranges: Ranges) -> NDArray[np.uint8]:
    """Write the history to the chip and read it.

    Returns:
        `uint8[bytes]`: the dump, which may end early.
    """
    rate, spread = ranges.raw_bit_error_rate, ranges.spread
    if recipe.translation.kind == "identity":
        dump = identity_dump(
            history.disk, recipe, plan.blocks, seed, metadata_fill=plan.metadata_fill, rate=rate, spread=spread
        )
    else:
        controller = BlockMappedController(recipe, plan.blocks, seed, **plan.habits)
        for state in history.states:
            controller.write(state)
            controller.level_wear(2)
        if not plan.erased:
            controller.use_up()
        dump, _ = controller.chip(rate=rate, spread=spread)
    return dump[: int(len(dump) * plan.cut)]
