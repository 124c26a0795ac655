"""A controller with block mapping: it takes a volume and leaves the chip as a dump would find it.

Every write of a logical block goes to a fresh physical block, with its logical number and a version that has grown.
The block that held it before stays as it is until the controller runs short of erased blocks; so a dump holds older
contents too. What the bytes look like is the recipe's matter.
"""

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypedDict

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.geometry import Geometry
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField
from deadstick.simulate.nand import add_bit_errors, as_blocks, spoil_blocks

Counter = Literal["block", "global"]


class Habits(TypedDict, total=False):
    """What a controller with block mapping does as it likes; see the arguments of `BlockMappedController`."""

    bad: int
    system: int
    spare: int
    counter: Counter
    first_version: int
    page_field: BitField | None
    metadata_fill: int
    repeat: bool
    skip_blank: bool


@dataclass(frozen=True, slots=True)
class Copy:
    """One copy of a logical block.

    Attributes:
        physical: Number of the physical block.
        logical: Number of the logical block.
        version: The counter before it is cut to the width of its field.
        pages: Pages that were written; fewer than a block has if the power failed.
        data: `uint8[bytes]`, the content, data alone.
    """

    physical: int
    logical: int
    version: int
    pages: int
    data: NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class Truth:
    """What the simulated controller knows. For tests to compare with; no solver may read it.

    Attributes:
        geometry: Shape of the chip.
        recipe: What was done to the pages.
        disk: `uint8[bytes]`, what the host last wrote.
        newest: The copies that count, by logical number.
        stale: Older copies that are still on the chip.
        unfinished: Copies that the power failure cut short, newer than those that count.
        bad: Bad blocks.
        system: Blocks with the controller's own tables.
        erased: Blocks without content.
        flips: `int64[blocks]`, bits flipped in each block.
    """

    geometry: Geometry
    recipe: Recipe
    disk: NDArray[np.uint8]
    newest: dict[int, Copy]
    stale: tuple[Copy, ...]
    unfinished: tuple[Copy, ...]
    bad: tuple[int, ...]
    system: tuple[int, ...]
    erased: tuple[int, ...]
    flips: NDArray[np.int64]


class BlockMappedController:
    """The controller at work. `write` takes what the host writes, `chip` gives the bytes of the chip.

    Args:
        recipe: What to do to pages; its translation must be of kind "block".
        blocks: Physical blocks of the chip.
        seed: Seed of bad blocks, order and fill.
        bad: How many blocks are bad from the factory.
        system: How many blocks hold tables of the controller; their logical number is all ones.
        spare: Erased blocks to keep ready; as many older copies stay as the chip has room for beyond these.
        counter: Whether each logical block counts its own versions, or all share one count.
        first_version: The version of the first write.
        page_field: A field that holds the page's place in its block, for a decoy; none if None.
        metadata_fill: The byte in metadata columns that no field uses.
        repeat: Whether every codeword carries the metadata of the first one.
        skip_blank: Whether logical blocks of zeros that were never written stay unmapped.

    Raises:
        ValueError: The recipe has no block mapping, or the chip is too small.
    """

    def __init__(
        self,
        recipe: Recipe,
        blocks: int,
        seed: int,
        *,
        bad: int = 0,
        system: int = 0,
        spare: int = 2,
        counter: Counter = "block",
        first_version: int = 1,
        page_field: BitField | None = None,
        metadata_fill: int = 0xFF,
        repeat: bool = False,
        skip_blank: bool = False,
    ) -> None:
        if recipe.translation.kind != "block" or recipe.translation.logical_number is None:
            raise ValueError("A block-mapped controller needs a recipe with a field for the logical number.")
        self.recipe = recipe
        self.geometry = chip_geometry(recipe, blocks)
        self._rng = np.random.default_rng(seed)
        order = [int(block) for block in self._rng.permutation(blocks)]
        self._bad, self._system = tuple(order[:bad]), tuple(order[bad : bad + system])
        self._free = deque(order[bad + system :])
        self._spare = max(1, spare)
        if len(self._free) <= self._spare:
            raise ValueError(f"{blocks} blocks are too few for {bad} bad, {system} system and {spare} spare blocks.")
        self._counter, self._first_version = counter, first_version
        self._page_field, self._metadata_fill, self._repeat = page_field, metadata_fill, repeat
        self._skip_blank = skip_blank
        self._newest: dict[int, Copy] = {}
        self._stale: deque[Copy] = deque()
        self._unfinished: list[Copy] = []
        self._versions: dict[int, int] = {}
        # Drawn once: two reads of one chip differ in their bit errors alone.
        self._bad_seed = int(self._rng.integers(1 << 32))
        self._tables = self._rng.integers(0, 256, (system, self.logical_bytes), dtype=np.uint8)
        self._disk = np.zeros(0, dtype=np.uint8)

    @property
    def logical_bytes(self) -> int:
        """Data bytes of one logical block."""
        return self.recipe.pages_per_block * self.recipe.layout.data_bytes

    def write(self, disk: NDArray[np.uint8]) -> None:
        """Write a state of the disk: every logical block that differs from what the chip holds.

        Args:
            disk: `uint8[bytes]`; a last logical block that it does not fill is padded with zeros.

        Raises:
            ValueError: The chip is too small for the disk.
        """
        padded = np.zeros(-(-disk.size // self.logical_bytes) * self.logical_bytes, dtype=np.uint8)
        padded[: disk.size] = disk
        for logical, data in enumerate(padded.reshape(-1, self.logical_bytes)):
            known = self._newest.get(logical)
            if known is None and self._skip_blank and not data.any():
                continue
            if known is None or (known.data != data).any():
                self.write_block(logical, data)
        self._disk = disk.copy()

    def write_block(self, logical: int, data: NDArray[np.uint8], *, pages: int | None = None) -> None:
        """Write one logical block anew.

        Args:
            logical: Its number.
            data: `uint8[logical_bytes]`.
            pages: Write only so many pages, as when the power fails. The copy before it stays the one that counts.

        Raises:
            ValueError: The chip is full, or `pages` is more than a block has.
        """
        written = self.recipe.pages_per_block if pages is None else pages
        if not 0 <= written <= self.recipe.pages_per_block:
            raise ValueError(f"A block has {self.recipe.pages_per_block} pages, not {written}.")
        copy = Copy(self._fresh_block(), logical, self._next_version(logical), written, data)
        if pages is not None:
            self._unfinished.append(copy)
            return
        if logical in self._newest:
            self._stale.append(self._newest[logical])
        self._newest[logical] = copy

    def _next_version(self, logical: int) -> int:
        counted = logical if self._counter == "block" else -1
        version = self._versions.get(counted, self._first_version - 1) + 1
        self._versions[counted] = version
        return version

    def level_wear(self, moves: int) -> None:
        """Move logical blocks chosen at random to fresh blocks; their content stays the same."""
        for _ in range(moves):
            logical = int(self._rng.choice(sorted(self._newest)))
            self.write_block(logical, self._newest[logical].data)

    def use_up(self) -> None:
        """Move logical blocks chosen at random until no erased block is left; all older copies stay."""
        while self._free:
            logical = int(self._rng.choice(sorted(self._newest)))
            old = self._newest[logical]
            self._newest[logical] = Copy(
                self._free.popleft(), logical, self._next_version(logical), self.recipe.pages_per_block, old.data
            )
            self._stale.append(old)

    def chip(self, *, rate: float = 0.0, spread: float = 0.5) -> tuple[NDArray[np.uint8], Truth]:
        """Read the chip; each call is another read, with errors of its own.

        Args:
            rate: Mean raw bit error rate; errors hit every block, erased and bad ones too.
            spread: Spread of that rate over the blocks, as for `add_bit_errors`.

        Returns:
            `uint8[bytes]`, the dump, and what is behind it.
        """
        dump = np.full(self.geometry.total_bytes, 0xFF, dtype=np.uint8)
        blocks = as_blocks(dump, self.geometry)
        for copy in (*self._newest.values(), *self._stale, *self._unfinished):
            blocks[copy.physical, : copy.pages] = self._encode(copy)
        for block, data in zip(self._system, self._tables, strict=True):
            blocks[block] = self._encode(Copy(block, -1, 0, self.recipe.pages_per_block, data))
        spoil_blocks(dump, self.geometry, self._bad, self._bad_seed)
        flips = add_bit_errors(
            dump, rate, int(self._rng.integers(1 << 32)), spread=spread, block_bytes=self.geometry.block_bytes
        )
        return dump, Truth(
            geometry=self.geometry,
            recipe=self.recipe,
            disk=self._disk,
            newest=dict(sorted(self._newest.items())),
            stale=tuple(self._stale),
            unfinished=tuple(self._unfinished),
            bad=tuple(sorted(self._bad)),
            system=tuple(sorted(self._system)),
            erased=tuple(sorted(self._free)),
            flips=flips,
        )

    def _fresh_block(self) -> int:
        while len(self._free) <= self._spare and self._stale:
            # The oldest copy is erased and its block waits behind the other free ones.
            self._free.append(self._stale.popleft().physical)
        if not self._free:
            raise ValueError(f"The chip is full: all of its {self.geometry.blocks} blocks hold newest copies.")
        return self._free.popleft()

    def _encode(self, copy: Copy) -> NDArray[np.uint8]:
        pages = np.arange(copy.pages, dtype=np.int64)
        data = copy.data.reshape(self.recipe.pages_per_block, -1)[: copy.pages]
        physical = copy.physical * self.recipe.pages_per_block + pages
        return self.recipe.encode(data, self._metadata(copy, pages), physical)

    def _metadata(self, copy: Copy, pages: NDArray[np.int64]) -> NDArray[np.uint8]:
        layout, translation = self.recipe.layout, self.recipe.translation
        metadata = np.full((len(pages), layout.metadata_bytes), self._metadata_fill, dtype=np.uint8)
        fields = (
            (translation.logical_number, np.full(len(pages), copy.logical, dtype=np.int64)),
            (translation.version, np.full(len(pages), copy.version, dtype=np.int64)),
            (self._page_field, pages),
        )
        for field, values in fields:
            if field is not None:
                field.write(metadata, values)
        if self._repeat:
            each = layout.metadata_bytes // len(layout.codewords)
            metadata[:, : each * len(layout.codewords)] = np.tile(metadata[:, :each], len(layout.codewords))
        return metadata


def chip_geometry(recipe: Recipe, blocks: int) -> Geometry:
    """The shape of a chip of so many blocks on which the recipe works."""
    layout = recipe.layout
    spare = layout.page_bytes - layout.data_bytes
    return Geometry(layout.data_bytes, spare, recipe.pages_per_block, blocks)


def block_mapped_dump(
    states: Sequence[NDArray[np.uint8]],
    recipe: Recipe,
    blocks: int,
    seed: int,
    *,
    bad: int = 2,
    wear_moves: int = 0,
    rate: float = 0.0,
    spread: float = 0.5,
) -> tuple[NDArray[np.uint8], Truth]:
    """Write successive states of a disk through a block-mapped controller and read the chip.

    Args:
        states: `uint8[bytes]` each, the oldest first.
        recipe: What the controller does; its translation must be of kind "block".
        blocks: Physical blocks of the chip.
        seed: Seed of everything.
        bad: Bad blocks.
        wear_moves: Blocks that are moved for wear levelling after each state.
        rate: Mean raw bit error rate.
        spread: Spread of that rate over the blocks.

    Returns:
        `uint8[bytes]`, the dump, and what is behind it.

    Raises:
        ValueError: The chip is too small, or the recipe has no block mapping.
    """
    controller = BlockMappedController(recipe, blocks, seed, bad=bad)
    for state in states:
        controller.write(state)
        controller.level_wear(wear_moves)
    return controller.chip(rate=rate, spread=spread)


def identity_dump(
    disk: NDArray[np.uint8],
    recipe: Recipe,
    blocks: int,
    seed: int,
    *,
    metadata_fill: int = 0xFF,
    rate: float = 0.0,
    spread: float = 0.5,
) -> NDArray[np.uint8]:
    """Write a disk page by page from the first page on, without any mapping, and read the chip.

    Args:
        disk: `uint8[bytes]`; a last page that it does not fill is padded with zeros.
        recipe: What is done to the pages.
        blocks: Physical blocks of the chip; those behind the disk are erased.
        seed: Seed of the bit errors.
        metadata_fill: The byte in all metadata columns.
        rate: Mean raw bit error rate.
        spread: Spread of that rate over the blocks.

    Returns:
        `uint8[bytes]`.

    Raises:
        ValueError: The chip is too small for the disk.
    """
    geometry = chip_geometry(recipe, blocks)
    count = -(-disk.size // geometry.page_data)
    if count > geometry.pages:
        raise ValueError(f"The disk needs {count} pages, the chip has {geometry.pages}.")
    data = np.zeros(count * geometry.page_data, dtype=np.uint8)
    data[: disk.size] = disk
    dump = np.full(geometry.total_bytes, 0xFF, dtype=np.uint8)
    metadata = np.full((count, recipe.layout.metadata_bytes), metadata_fill, dtype=np.uint8)
    encoded = recipe.encode(data.reshape(count, -1), metadata, np.arange(count, dtype=np.int64))
    dump[: encoded.size] = encoded.reshape(-1)
    add_bit_errors(dump, rate, seed, spread=spread, block_bytes=geometry.block_bytes)
    return dump
