"""Which metadata bytes are the version of a block, which tells its copies apart?

A version is constant in a block and differs between blocks that carry the same logical number. It takes few values, or
lies in a range too narrow for accident, as a count of erasures does too; whether it grows with time others must say.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.block_metadata import CONSTANT_SHARE, BlockMetadata, block_values, fields
from deadstick.solve.blocks.numbering import MOST_FIELDS, Numbering
from deadstick.solve.versions.write_numbers import numbers_of_writes

TOLD_APART = 0.9
VERSION_CHANCE = -3.0
FEWEST_IN_SEQUENCE, MOST_LEFT_OUT, IN_ORDER = 8, 4, 0.9
"""What makes a sequence: blocks, how many times as many values it may span, and the share of
neighbouring blocks with growing values from which on it is the number of the block."""


@dataclass(frozen=True, slots=True)
class Versioned:
    """A translation with a field that may be the version.

    Attributes:
        translation: with the field; or without one, where no block shares its number or nothing tells copies apart.
        log10_chance: that a field which is no version tells the copies apart so.
        counted: the field takes few values, and copies of one block differ all the same. Otherwise it is known by its
            narrow range alone, as a count of erasures would be, and the volume must confirm its order.
        is_sequence: the field numbers what the controller wrote: another value in each block, hardly one left out.
    """

    translation: Translation
    log10_chance: float = 0.0
    counted: bool = True
    is_sequence: bool = False


def with_versions(
    item: Numbering, metadata: BlockMetadata, units: NDArray[np.int64] | None = None, *, is_open: bool = False
) -> list[Versioned]:
    """The translation with each field that may be the version, the likeliest first, and without one.

    Args:
        item: with the logical number.
        metadata: of the written blocks.
        units: `int64[blocks]`: blocks are copies of one another only within a unit; None where all are of one.
        is_open: the metadata are known but for a constant.

    Returns:
        At least one, the last without a version.
    """
    logical, constant = block_values(item.number, metadata)
    # Blocks without a number, and those that read as zeros throughout, have no version.
    constant &= (logical != item.number.all_ones) & ~metadata.is_blank
    if units is not None:
        logical = logical * (int(units.max(initial=0)) + 1) + units
    order = np.flatnonzero(constant)[np.argsort(logical[constant], kind="stable")]
    same = np.flatnonzero(np.diff(logical[order]) == 0)
    bare = Versioned(Translation("block", item.number))
    if not len(same):
        return [bare]
    ranked: list[tuple[float, Versioned]] = []
    taken = set(range(item.number.first_byte, item.number.first_byte + item.number.length))
    for field in fields(metadata.values.shape[2]):
        if taken & set(range(field.first_byte, field.first_byte + field.length)):
            continue
        values, steady = block_values(field, metadata)
        ordered = values[order]
        told = float((ordered[same] != ordered[same + 1]).mean())
        if steady[order].mean() < CONSTANT_SHARE or told < TOLD_APART or not _every_byte_counts(field, ordered):
            continue
        counted, narrow = _told_by_accident(ordered, len(same)), _narrow_by_accident(ordered, field)
        if is_open:
            narrow = min(narrow, _turned_narrow_by_accident(ordered, field))
        is_sequence = _is_sequence(values[order], metadata.blocks[order])
        if is_sequence:
            counted = min(counted, narrow)
        chance = min(counted, narrow)
        if chance < VERSION_CHANCE:
            ranked.append(
                (
                    chance,
                    Versioned(Translation("block", item.number, field), chance, counted < VERSION_CHANCE, is_sequence),
                )
            )
    ranked.sort(key=lambda entry: entry[0])
    return [versioned for _, versioned in ranked[:MOST_FIELDS]] + [bare]


def _told_by_accident(values: NDArray[np.int64], pairs: int) -> float:
    """Logarithm of the chance that so many pairs of copies differ in a field whose values are independent of them."""
    shares = np.unique(values, return_counts=True)[1] / len(values)
    return pairs * float(np.log10(max(1e-9, 1 - float((shares**2).sum()))))


def _narrow_by_accident(values: NDArray[np.int64], field: BitField) -> float:
    """Logarithm of the chance that random values of the field's width fall into so narrow a range."""
    spread = int(values.max() - values.min()) + 1
    return len(values) * float(np.log10(spread) - 8 * field.length * np.log10(2.0))


def _turned_narrow_by_accident(values: NDArray[np.int64], field: BitField) -> float:
    """The same under the best of all constants, where versions number all writes.

    A constant tears numbers in a row apart, so that a byte of them may take the whole range of a byte.
    """
    numbers = numbers_of_writes(values)
    if numbers is None:
        return 0.0
    return _narrow_by_accident(values ^ numbers.constants[0], field) + numbers.bits * float(np.log10(2.0))


def _is_sequence(values: NDArray[np.int64], blocks: NDArray[np.int64]) -> bool:
    """Whether a field counts what the controller wrote: another value in each block, hardly one left out.

    The number of the block itself does so as well, but in the order of the blocks.
    """
    told = values[values != 0]
    if len(told) < FEWEST_IN_SEQUENCE or len(np.unique(told)) < len(told):
        return False
    in_order = np.diff(values[np.argsort(blocks, kind="stable")]) > 0
    return int(told.max() - told.min()) < MOST_LEFT_OUT * len(told) and in_order.mean() < IN_ORDER


def _every_byte_counts(field: BitField, values: NDArray[np.int64]) -> bool:
    """Whether every byte of a field changes somewhere: a constant neighbour is not part of a counter."""
    changing = int(np.bitwise_or.reduce(values) & ~np.bitwise_and.reduce(values))
    return all(changing >> 8 * place & 0xFF for place in range(field.length))
