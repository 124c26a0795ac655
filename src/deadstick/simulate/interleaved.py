"""Controllers that spread a disk over several chips and planes, by the recipe's interleave.

A *unit* is a plane of a chip. Each has a block-mapped controller of its own: in step with the others, so that the
blocks of a group stay together (*paired*: blocks 2k and 2k + 1 of a chip with two planes, block k of every chip), or
with wear levelling of its own. Where logical numbers count over all units and nothing is
paired, one controller maps the blocks of all chips.
"""

from dataclasses import dataclass, replace
from typing import Unpack

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.interleave import NO_INTERLEAVE, By, Interleave, Numbers
from deadstick.recipe.recipe import Recipe
from deadstick.simulate.controller import BlockMappedController, Copy, Habits, Truth, chip_geometry
from deadstick.simulate.nand import add_bit_errors

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class InterleavedTruth:
    """What is behind the dumps. For tests to compare with; no solver may read it.

    Attributes:
        recipe: what was done to the pages.
        disk: `uint8[bytes]`, what the host last wrote.
        units: what each unit knows, in the order of the recipe; one for all where blocks are counted together; empty
            without block mapping.
    """

    recipe: Recipe
    disk: Bytes
    units: tuple[Truth, ...] = ()


class InterleavedController:
    """A controller with block mapping over several chips and planes.

    Args:
        recipe: what to do to pages, with a block mapping and an interleave.
        blocks: physical blocks of each chip, a multiple of its planes.
        seed: of bad blocks, order and fill.
        paired: whether the units act in step, so that the blocks of a group lie at the same place in each.
        habits: of each unit, as for `BlockMappedController`; blocks that go together are skipped together.

    Raises:
        ValueError: the recipe has no block mapping, or a unit is too small.
    """

    def __init__(
        self,
        recipe: Recipe,
        blocks: int,
        seed: int,
        *,
        paired: bool = True,
        **habits: Unpack[Habits],
    ) -> None:
        self.recipe, self.blocks, self._seed = recipe, blocks, seed
        self._disk = np.zeros(0, np.uint8)
        self._written: dict[int, Bytes] = {}
        interleave = recipe.interleave
        self._together = interleave.numbers == "common" and not paired
        self._in_step, self._skip_blank = paired, habits.get("skip_blank", False)
        if self._together:
            places = [_Places(1, 0, blocks)]
            size = blocks * len(interleave.chips)
        else:
            step = interleave.ways if interleave.numbers == "common" else 1
            places = [
                _Places(interleave.planes, plane, blocks, step, number if step > 1 else 0)
                for number, (_, plane) in enumerate(interleave.order)
            ]
            size = blocks // interleave.planes
        self._units = [
            _Unit(recipe, size, seed + (0 if paired else number), place, **habits)
            for number, place in enumerate(places)
        ]

    def write(self, disk: Bytes) -> None:
        """Write a state of the disk: what differs from what the chips hold.

        Args:
            disk: `uint8[bytes]`; a last group that it does not fill is padded with zeros.
        """
        self._disk = disk.copy()
        blocks = logical_blocks(disk, self.recipe)
        ways = 1 if self._together else self.recipe.interleave.ways
        # Blocks that act in step are written when one of them has changed.
        step = ways if self._in_step else 1
        for first in range(0, len(blocks), step):
            numbers = range(first, first + step)
            if all(number in self._written and (self._written[number] == blocks[number]).all() for number in numbers):
                continue
            new = not any(number in self._written for number in numbers)
            if self._skip_blank and new and not any(blocks[number].any() for number in numbers):
                continue
            for number in numbers:
                self._units[number % ways].write_block(number // ways, blocks[number])
                self._written[number] = blocks[number]

    def level_wear(self, moves: int) -> None:
        """Move blocks of every unit to fresh ones; their content stays the same."""
        for unit in self._units:
            unit.level_wear(moves)

    def use_up(self) -> None:
        """Move blocks of every unit until none is erased; all older copies stay."""
        for unit in self._units:
            unit.use_up()

    def chips(self, *, rate: float = 0.0, spread: float = 0.5) -> tuple[list[Bytes], InterleavedTruth]:
        """Read the chips.

        Args:
            rate: mean raw bit error rate.
            spread: of that rate over the blocks.

        Returns:
            `uint8[bytes]` of each dump, in the order that the recipe's interleave names them; and what is behind them.
        """
        read = [unit.chip() for unit in self._units]
        geometry = chip_geometry(self.recipe, self.blocks)
        interleave = self.recipe.interleave
        if self._together:
            chips = list(read[0][0].reshape(len(interleave.chips), -1).copy())
        else:
            chips = [np.empty(geometry.total_bytes, np.uint8) for _ in interleave.chips]
            for (chip, plane), (dump, _) in zip(interleave.order, read, strict=True):
                shape = (-1, geometry.block_bytes)
                chips[chip].reshape(shape)[plane :: interleave.planes] = dump.reshape(shape)
        for number, content in enumerate(chips):
            noise = self._seed + 7919 * (number + 1)
            add_bit_errors(content, rate, noise, spread=spread, block_bytes=geometry.block_bytes)
        truth = InterleavedTruth(self.recipe, self._disk, tuple(unit for _, unit in read))
        return dumps_of(chips, interleave), truth


@dataclass(frozen=True, slots=True)
class _Places:
    """Which numbers the blocks of a unit have.

    Attributes:
        step: between the blocks of the unit on their chip.
        first: block of the unit.
        blocks: of the chip; counting starts anew behind them.
        number_step: between the logical numbers that the unit writes.
        first_number: the lowest of them.
    """

    step: int
    first: int
    blocks: int
    number_step: int = 1
    first_number: int = 0


class _Unit(BlockMappedController):
    """A controller of one unit, whose blocks have other numbers on their chip."""

    def __init__(
        self,
        recipe: Recipe,
        blocks: int,
        seed: int,
        places: _Places,
        **habits: Unpack[Habits],
    ) -> None:
        super().__init__(recipe, blocks, seed, **habits)
        self._places = places

    def level_wear(self, moves: int) -> None:
        """As for `BlockMappedController`; a unit that holds nothing yet has nothing to move."""
        super().level_wear(moves if self._newest else 0)

    def use_up(self) -> None:
        """Likewise."""
        if self._newest:
            super().use_up()

    def _encode(self, copy: Copy) -> Bytes:
        places = self._places
        physical = (copy.physical * places.step + places.first) % places.blocks
        # The controller's own tables have all ones for a number, whatever the unit.
        logical = copy.logical * places.number_step + places.first_number if copy.logical >= 0 else copy.logical
        return super()._encode(replace(copy, physical=physical, logical=logical))


def interleaved_identity_dumps(
    disk: Bytes, recipe: Recipe, blocks: int, seed: int, *, metadata_fill: int = 0xFF, rate: float = 0.0
) -> list[Bytes]:
    """Write a disk over several chips and planes without any mapping, and read the chips.

    Args:
        disk: `uint8[bytes]`; a last block that it does not fill stays erased behind its end.
        recipe: what is done to the pages, with the interleave.
        blocks: physical blocks of each chip, a multiple of its planes.
        seed: of the bit errors.
        metadata_fill: the byte in all metadata columns.
        rate: mean raw bit error rate.

    Returns:
        `uint8[bytes]` of each dump, in the order that the recipe's interleave names them.

    Raises:
        ValueError: the chips are too small for the disk.
    """
    interleave, size = recipe.interleave, recipe.pages_per_block
    geometry = chip_geometry(recipe, blocks)
    page = recipe.layout.data_bytes
    chip, block = np.divmod(np.arange(blocks * len(interleave.chips), dtype=np.int64), blocks)
    logical = interleave.unmapped(chip, block)
    # Logical page of each physical one; those behind the end of the disk are never programmed.
    places = interleave.pages_of_blocks(len(logical), size)[logical].reshape(len(interleave.chips), -1)
    count = -(-disk.size // page)
    if count > places.size:
        raise ValueError(f"The disk needs {count} pages, the chips have {places.size}.")
    data = np.zeros((count, page), np.uint8)
    data.reshape(-1)[: disk.size] = disk
    chips = []
    for number, order in enumerate(places):
        pages = np.flatnonzero(order < count)
        metadata = np.full((len(pages), recipe.layout.metadata_bytes), metadata_fill, np.uint8)
        dump = np.full((geometry.pages, geometry.page_bytes), 0xFF, np.uint8)
        dump[pages] = recipe.encode(data[order[pages]], metadata, pages)
        chips.append(dump.reshape(-1))
        add_bit_errors(chips[-1], rate, seed + 7919 * number, block_bytes=geometry.block_bytes)
    return dumps_of(chips, interleave)


def logical_blocks(disk: Bytes, recipe: Recipe) -> Bytes:
    """A disk cut into logical blocks as the interleave deals them out.

    Args:
        disk: `uint8[bytes]`, padded with zeros to whole groups.
        recipe: with the block and the interleave.

    Returns:
        `uint8[logical blocks, bytes]`.
    """
    size, page = recipe.pages_per_block, recipe.layout.data_bytes
    count = recipe.interleave.ways * -(-disk.size // (size * page * recipe.interleave.ways))
    pages = np.zeros((count * size, page), np.uint8)
    pages.reshape(-1)[: disk.size] = disk
    return pages[recipe.interleave.pages_of_blocks(count, size)].reshape(count, -1)


def dumps_of(chips: list[Bytes], interleave: Interleave) -> list[Bytes]:
    """Take joined chips apart again: the dumps as a reader of single chips would give them.

    Args:
        chips: `uint8[bytes]` of each.
        interleave: which bytes of it lie in which dump.
    """
    dumps = [np.zeros(0, np.uint8)] * interleave.dumps
    for chip, lanes in zip(chips, interleave.chips, strict=True):
        for lane, dump in enumerate(lanes):
            dumps[dump] = np.ascontiguousarray(chip[lane :: interleave.lanes])
    return dumps


def draw_interleave(rng: np.random.Generator, *, mapped: bool, most_chips: int = 2, joined: bool = True) -> Interleave:
    """Draw how a disk is spread, among them not at all.

    Args:
        rng: source of the draw.
        mapped: whether the recipe maps blocks.
        most_chips: most dumps of one case.
        joined: whether chips may be joined byte by byte, which needs pages of an even number of bytes.

    Returns:
        Dumps in any order.
    """
    chips = int(rng.integers(1, most_chips + 1))
    planes = int(rng.choice([1, 2, 2, 4])) if chips == 1 else int(rng.choice([1, 1, 2]))
    by: By = "page" if rng.random() < 0.7 else "block"
    numbers: Numbers = "common" if mapped and rng.random() < 0.3 else "own"
    dumps = [int(dump) for dump in rng.permutation(chips)]
    if joined and chips > 1 and chips % 2 == 0 and rng.random() < 0.35:
        lanes = tuple(tuple(dumps[first : first + 2]) for first in range(0, chips, 2))
        return _spread(lanes, planes, by, numbers)
    if chips == planes == 1:
        return NO_INTERLEAVE
    return _spread(tuple((dump,) for dump in dumps), planes, by, numbers)


def _spread(chips: tuple[tuple[int, ...], ...], planes: int, by: By, numbers: Numbers) -> Interleave:
    """Chips in this order, chips changing fastest; the chips themselves are named by their first dump."""
    ordered = sorted(chips)
    names = [ordered.index(lanes) for lanes in chips]
    order = tuple((chip, plane) for plane in range(planes) for chip in names)
    return Interleave(tuple(ordered), planes, order, by, numbers)
