"""Which metadata bytes are the logical block number?

A logical number is the same in every page of a block, differs from block to block and nearly fills a range that begins
near zero (for versions see `versions`). Every byte field of one to four bytes, either end first, is scored; bits that
never change are masked out.
"""

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.translation import BitField
from deadstick.solve.blocks.block_metadata import CONSTANT_SHARE, LONGEST_FIELD, BlockMetadata, block_values, fields

DISTINCT_SHARE = 0.2
"""Different numbers by written blocks: at least one in five, so four older copies of each may lie on the chip."""
FEWEST_BLOCKS = 4
FEWEST_NUMBERS = 2
"""Different numbers of a few blocks, which other witnesses than their range must confirm."""
MOST_FIELDS = 4
STRAYS = 20
"""One in so many of the largest numbers is left out of the range."""
FULLNESS = 0.3
"""A logical number fills at least this share of the range that it spans; a random number does not."""


@dataclass(frozen=True, slots=True)
class Numbering:
    """A hypothesis on the translation.

    Attributes:
        number: the field of the logical block number.
        score: bits of surprise that the field behaves like a logical number.
        figure: what speaks for it, in words.
        log10_chance: that random bytes behave so.
        constant_share: blocks in which the number is constant over the pages.
    """

    number: BitField
    score: float
    figure: str
    log10_chance: float
    constant_share: float


def numberings(metadata: BlockMetadata, physical_blocks: int) -> list[Numbering]:
    """Fields that may be the logical number, best first.

    Args:
        metadata: of the written blocks.
        physical_blocks: blocks of the chip, which bounds the range of a logical number.

    Returns:
        Empty where no field behaves like one: then the translation is the identity as far as metadata tells.
    """
    return _likeliest(_scored(metadata.of(~metadata.is_foreign), physical_blocks, FEWEST_BLOCKS), metadata)


def few_numberings(metadata: BlockMetadata, physical_blocks: int) -> list[Numbering]:
    """Fields with fewer different numbers than `numberings` asks for, none left out, best first.

    Flags and the place of a plane look like that, too: what lies in the blocks must say that they are numbers.
    """
    found, own = [], metadata.of(~metadata.is_foreign)
    for item in _scored(own, physical_blocks, FEWEST_NUMBERS):
        values, constant = block_values(item.number, own)
        told = np.unique(values[constant & (values != item.number.all_ones)])
        if len(told) < FEWEST_BLOCKS and int(told.max()) + 1 == len(told):
            found.append(item)
    return _likeliest(found, metadata)


def _scored(metadata: BlockMetadata, physical_blocks: int, fewest: int) -> list[Numbering]:
    """All fields that may be a number with at least so many different values."""
    found: list[Numbering] = []
    if len(metadata.blocks) < FEWEST_BLOCKS:
        return found
    for field in fields(metadata.values.shape[2]):
        values, constant = block_values(field, metadata)
        mask = _number_bits(values, constant, (1 << 8 * field.length) - 1)
        narrowed = BitField(field.first_byte, field.length, field.byte_order, mask)
        candidate = _score(narrowed, values & mask, constant, physical_blocks, fewest)
        if candidate is not None:
            found.append(candidate)
    return found


def _likeliest(found: list[Numbering], metadata: BlockMetadata) -> list[Numbering]:
    own = metadata.of(~metadata.is_foreign)
    found = _without_cut_short(found, own)
    found.sort(key=lambda item: (-item.score, item.number.length))
    return [replace(item, number=_widened(item.number, metadata)) for item in _different(found, own)[:MOST_FIELDS]]


def _different(found: list[Numbering], metadata: BlockMetadata) -> list[Numbering]:
    """One of those that give all blocks the same numbers, and one with flags above the number, where there are any.

    Those that say something else of a few blocks alone come last: they are the same field, read in other bytes.
    """
    kept: dict[tuple[bytes, bool], Numbering] = {}
    first: list[NDArray[np.int64]] = []
    early: list[Numbering] = []
    late: list[Numbering] = []
    for item in found:
        values, _ = block_values(item.number, metadata)
        values[values == item.number.all_ones] = -1
        has_flags = item.number.all_ones != (1 << 8 * item.number.length) - 1
        if kept.setdefault((values.tobytes(), has_flags), item) is not item:
            continue
        alike = any(STRAYS * np.count_nonzero(values != other) <= len(values) for other in first)
        (late if alike and not has_flags else early).append(item)
        first.append(values)
    return early + late


def _without_cut_short(found: list[Numbering], metadata: BlockMetadata) -> list[Numbering]:
    """Leave out numbers whose high bytes are missing: fields that a wider one with more values goes on.

    A number modulo 256 fills its range even better than the number itself, and puts blocks where they do not belong.
    """
    counts = [len(np.unique(block_values(item.number, metadata)[0])) for item in found]
    counted = list(zip(found, counts, strict=True))
    return [
        item
        for item, count in counted
        if not any(more > count and _goes_on(other.number, item.number) for other, more in counted)
    ]


def _goes_on(wider: BitField, field: BitField) -> bool:
    """Whether a field has the bytes of another and higher ones: the low byte of both is the same, and their order is.

    A count in the byte beside a number makes a field of more values with it, read from the other end.
    """
    alike = field.length == 1 or wider.byte_order == field.byte_order
    return wider.length > field.length and alike and _low_byte(wider) == _low_byte(field)


def _low_byte(field: BitField) -> int:
    return field.first_byte + (field.length - 1 if field.byte_order == "big" else 0)


def _widened(field: BitField, metadata: BlockMetadata) -> BitField:
    """The field with the high bytes that are zero in every block: a block whose high byte is not has no such number.

    Where some block reads all ones, which means no number, the wider field must read so, too, and a block that is not
    of the kind of the others most of all. Nothing else is asked of such a block, or of the strays beyond the range,
    which a controller's own tables may be. A byte that is zero in the first page of each block and counts the pages is
    not part of the number.
    """
    full, own = (1 << 8 * field.length) - 1, ~metadata.is_foreign
    if field.mask & full != full:
        return field
    for wider in _wider(field, metadata.values.shape[2]):
        values, constant = block_values(field, metadata)
        wide, wide_constant = block_values(wider, metadata)
        if wide_constant[own].sum() < CONSTANT_SHARE * constant[own].sum():
            continue
        numbered = values != field.all_ones
        known = numbered & own
        some = np.sort(values[known])
        kept = known & (values <= some[len(some) - 1 - len(some) // STRAYS]) if len(some) else known
        if (wide[kept] == values[kept]).all() and (wide[~numbered] == wider.all_ones).all():
            return _widened(wider, metadata)
    return field


def _wider(field: BitField, metadata_bytes: int) -> Iterator[BitField]:
    """Fields with one byte more at the high end."""
    if field.length == LONGEST_FIELD:
        return
    if (field.length == 1 or field.byte_order == "big") and field.first_byte:
        yield BitField(field.first_byte - 1, field.length + 1, "big")
    if (field.length == 1 or field.byte_order == "little") and field.first_byte + field.length < metadata_bytes:
        yield BitField(field.first_byte, field.length + 1, "little")


def _number_bits(values: NDArray[np.int64], constant: NDArray[np.bool_], full: int) -> int:
    """The bits that make the number: all, unless bits above it are set in every block, as flags are.

    Bits below the highest changing one belong to the number, even where few blocks leave one unchanged.
    """
    chosen = values[constant]
    chosen = chosen[chosen != full]
    if not len(chosen):
        return 0
    always = int(np.bitwise_and.reduce(chosen))
    changing = int(np.bitwise_or.reduce(chosen)) & ~always
    below = (1 << changing.bit_length()) - 1
    return below if always & ~below else full if changing else 0


def _score(
    field: BitField, values: NDArray[np.int64], constant: NDArray[np.bool_], physical_blocks: int, fewest: int
) -> Numbering | None:
    share = float(constant.mean())
    chosen = values[constant]
    if field.mask == 0 or share < CONSTANT_SHARE or len(chosen) < FEWEST_BLOCKS:
        return None
    # All ones marks blocks outside the numbering (common practice, no source); a few strays may be misreadings.
    chosen = np.sort(chosen[chosen != field.all_ones])
    chosen = chosen[: len(chosen) - len(chosen) // STRAYS]
    if len(chosen) < FEWEST_BLOCKS:
        return None
    distinct = len(np.unique(chosen))
    span = int(chosen.max()) + 1
    if distinct < max(fewest, DISTINCT_SHARE * len(chosen)) or span > 2 * physical_blocks:
        return None
    fullness = distinct / span
    if fullness < FULLNESS:
        return None
    # Random numbers of the field's full width would fall into so narrow a range with this chance.
    width = 8 * field.length
    log10_chance = len(chosen) * (np.log10(span) - width * np.log10(2.0)) if span < 1 << width else 0.0
    score = distinct * fullness
    figure = (
        f"constant in {share:.0%} of {len(values)} blocks; {distinct} different numbers in 0 to {span - 1} "
        f"({fullness:.0%} of the range)"
    )
    return Numbering(field, score, figure, float(log10_chance), share)
