"""How the pages of several chips and planes make one disk.

Three things may happen, alone or together, and are undone in this order:

1. **By byte.** Chips on one wide bus are read at the same moment: byte 0 of a page comes from the first chip, byte 1
   from the second, and so on. Their pages are one page of twice the size before anything else is looked at.
2. **Scrambler, code, translation.** They go by the page and the block of a page's own chip (a joined group of chips
   counts as one chip), so they are undone before any page moves.
3. **By page or by block.** A *unit* is a plane of a chip; plane p of P planes is every block whose number is p modulo
   P. Logical blocks come in groups, one for each unit. Group g takes logical block g of every unit. Inside a group the
   logical pages go round robin (`page`: page 0 of the first unit, page 0 of the second, ...), or unit after unit
   (`block`).

Where blocks carry logical numbers, the units may each count from zero (`own`: number g in every unit of group g), or
all together (`common`: group g has the numbers `g * ways` to `g * ways + ways - 1`, on whichever chip they are).
"""

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError

By = Literal["page", "block"]
Numbers = Literal["own", "common"]
Unit = tuple[int, int]
"""Chip and plane."""
Number = TypeVar("Number", int, NDArray[np.int64])


@dataclass(frozen=True)
class Interleave:
    """How pages of chips and planes follow one another.

    Attributes:
        chips: for each chip the dumps whose bytes make up its pages: `((0,), (1,))` for two chips, `((1, 0),)` for one
            whose even bytes are in dump 1 and odd bytes in dump 0.
        planes: planes of each chip.
        order: the units of a group, each as (chip, plane).
        by: whether the pages of a group go round robin over the units, or unit after unit.
        numbers: whether each unit counts its logical blocks for itself. Without block mapping `own` puts the blocks of
            a unit in their natural order, and `common` puts whole chips one after the other, in the order of `order`.
        sure: whether the order is proven; where it is not, no sector is ever called exact.

    Raises:
        RecipeError: dumps or units are missing, named twice or unknown.
    """

    chips: tuple[tuple[int, ...], ...] = ((0,),)
    planes: int = 1
    order: tuple[Unit, ...] = ((0, 0),)
    by: By = "page"
    numbers: Numbers = "own"
    sure: bool = True

    def __post_init__(self) -> None:
        dumps = sorted(dump for lanes in self.chips for dump in lanes)
        if not dumps or dumps != list(range(len(dumps))):
            raise RecipeError(f"interleave: chips must name the dumps 0, 1, ... once each, not {list(self.chips)}")
        if len({len(lanes) for lanes in self.chips}) > 1:
            raise RecipeError("interleave: all chips must be joined from the same number of dumps")
        if self.planes < 1:
            raise RecipeError(f"interleave: a chip with {self.planes} planes is impossible")
        units = [(chip, plane) for chip in range(len(self.chips)) for plane in range(self.planes)]
        if sorted(self.order) != units:
            raise RecipeError(f"interleave: order must name each of the units {units} once, not {list(self.order)}")

    @classmethod
    def of_chips(cls, chips: int, planes: int = 1, by: By = "page") -> "Interleave":
        """Several chips in the order of their dumps, chips changing fastest.

        >>> Interleave.of_chips(2, planes=2).order
        ((0, 0), (1, 0), (0, 1), (1, 1))
        """
        order = tuple((chip, plane) for plane in range(planes) for chip in range(chips))
        return cls(tuple((chip,) for chip in range(chips)), planes, order, by)

    @classmethod
    def one_after_another(cls, chips: int) -> "Interleave":
        """Several chips whose pages do not mix: the second begins where the first ends."""
        order = tuple((chip, 0) for chip in range(chips))
        return cls(tuple((chip,) for chip in range(chips)), 1, order, "block", "common")

    @property
    def dumps(self) -> int:
        """How many dumps there are."""
        return sum(map(len, self.chips))

    @property
    def lanes(self) -> int:
        """How many dumps make up the pages of one chip, byte by byte; 1 for none but the one."""
        return len(self.chips[0])

    @property
    def ways(self) -> int:
        """Units, which is logical blocks of a group."""
        return len(self.order)

    @property
    def is_none(self) -> bool:
        """Whether there is one dump, and its pages stay as they are."""
        return self.dumps == 1 and self.ways == 1

    @cached_property
    def _slots(self) -> NDArray[np.int64]:
        """`int64[chips, planes]`: place of each unit in `order`."""
        slots = np.empty((len(self.chips), self.planes), np.int64)
        for slot, (chip, plane) in enumerate(self.order):
            slots[chip, plane] = slot
        return slots

    @property
    def chip_order(self) -> tuple[int, ...]:
        """The chips in the order in which their first units come."""
        return tuple(dict.fromkeys(chip for chip, _ in self.order))

    @property
    def normal(self) -> "Interleave":
        """The same with the chips numbered in the order of their dumps.

        >>> Interleave(((1,), (0,)), 1, ((0, 0), (1, 0))).normal == Interleave(((0,), (1,)), 1, ((1, 0), (0, 0)))
        True
        """
        ordered = tuple(sorted(self.chips))
        order = tuple((ordered.index(self.chips[chip]), plane) for chip, plane in self.order)
        return replace(self, chips=ordered, order=order)

    @property
    def in_order(self) -> "Interleave":
        """The same for dumps that are given in the order in which their chips, and the bytes of a chip, follow.

        >>> given = Interleave(((1, 3), (0, 2)), 1, ((1, 0), (0, 0)))
        >>> given.in_order == Interleave(((0, 1), (2, 3)), 1, ((0, 0), (1, 0)))
        True
        """
        ranks = {chip: rank for rank, chip in enumerate(self.chip_order)}
        lanes = range(self.lanes)
        chips = tuple(tuple(rank * self.lanes + lane for lane in lanes) for rank in range(len(self.chips)))
        return replace(self, chips=chips, order=tuple((ranks[chip], plane) for chip, plane in self.order))

    # Blocks ---------------------------------------------------------------------------------------

    def slots(self, chip: NDArray[np.int64], block: NDArray[np.int64]) -> NDArray[np.int64]:
        """Which place in its group each physical block has, by its unit.

        Args:
            chip: `int64[blocks]`.
            block: `int64[blocks]`, numbers in their own chips.
        """
        slots: NDArray[np.int64] = self._slots[chip, block % self.planes]
        return slots

    def numbered(self, number: Number, slot: Number) -> Number:
        """The logical block that a physical block holds.

        Args:
            number: the logical number that it carries.
            slot: of its unit, see `slots`.

        Returns:
            Logical blocks of the disk, counted over all units.
        """
        return number if self.numbers == "common" else number * self.ways + slot

    def unmapped(self, chip: NDArray[np.int64], block: NDArray[np.int64]) -> NDArray[np.int64]:
        """The logical block that each physical block holds where there is no block mapping.

        Args:
            chip: `int64[blocks]`, of all blocks of all chips.
            block: `int64[blocks]`, numbers in their own chips.

        >>> Interleave.of_chips(2).unmapped(np.array([0, 0, 1, 1]), np.array([0, 1, 0, 1]))
        array([0, 2, 1, 3])
        """
        if self.numbers == "own":
            return (block // self.planes) * self.ways + self.slots(chip, block)
        starts = np.zeros(len(self.chips), np.int64)
        first = 0
        for number in self.chip_order:
            starts[number] = first
            first += int((chip == number).sum())
        joined: NDArray[np.int64] = starts[chip] + block
        return joined

    # Pages ----------------------------------------------------------------------------------------

    def logical_pages(self, block: int, pages_per_block: int) -> slice:
        """The logical pages of a logical block, in the order of its own pages.

        >>> Interleave.of_chips(2).logical_pages(3, 64)
        slice(129, 256, 2)
        """
        if self.by == "block":
            return slice(block * pages_per_block, (block + 1) * pages_per_block)
        group, slot = divmod(block, self.ways)
        first = group * self.ways * pages_per_block
        return slice(first + slot, first + slot + (pages_per_block - 1) * self.ways + 1, self.ways)

    def place(self, page: int, pages_per_block: int) -> tuple[int, int]:
        """The logical block that holds a logical page, and the page's place in it.

        >>> Interleave.of_chips(2).place(131, 64)
        (3, 1)
        """
        if self.by == "block":
            return divmod(page, pages_per_block)
        group, rest = divmod(page, self.ways * pages_per_block)
        inside, slot = divmod(rest, self.ways)
        return group * self.ways + slot, inside

    def whole_groups(self, blocks: int) -> int:
        """So many logical blocks, rounded up to whole groups where pages go round robin."""
        return -(-blocks // self.ways) * self.ways if self.by == "page" else blocks

    def pages_of_blocks(self, blocks: int, pages_per_block: int) -> NDArray[np.int64]:
        """`int64[blocks, pages_per_block]`: the logical page that each page of each logical block is."""
        number = np.arange(blocks, dtype=np.int64)[:, None]
        page = np.arange(pages_per_block, dtype=np.int64)
        if self.by == "block":
            return number * pages_per_block + page
        group, slot = np.divmod(number, self.ways)
        pages: NDArray[np.int64] = (group * pages_per_block + page) * self.ways + slot
        return pages

    def describe(self) -> str:
        """One line for a person; dumps, chips and planes are counted from 0."""
        parts = []
        if self.lanes > 1:
            groups = "; ".join(" and ".join(map(str, lanes)) for lanes in self.chips)
            parts.append(f"dumps {groups} byte by byte")
        if self.ways > 1:
            parts.append(self._units())
        line = ", ".join(parts) or "none"
        return line if self.sure else f"{line}; not proven"

    def _units(self) -> str:
        several, planes = len(self.chips) > 1, self.planes > 1
        if several and not planes:
            names = "chips " + ", ".join(str(chip) for chip, _ in self.order)
        elif planes and not several:
            names = "planes " + ", ".join(str(plane) for _, plane in self.order)
        else:
            names = "units " + ", ".join(f"{chip}.{plane}" for chip, plane in self.order) + " (chip.plane)"
        if self.numbers == "common" and self.by == "block":
            return f"{names} one after the other"
        counted = ", logical numbers counted over all" if self.numbers == "common" else ""
        return f"{names}, {self.by} by {self.by}{counted}"


NO_INTERLEAVE = Interleave()
"""One dump, its pages as they are."""
