"""Controllers drawn at random: every parameter from a range, so that a solver cannot know them by heart.

Each question has its own stream of random numbers, so that a new option leaves the answers to the others as they are.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.draw_chip import ChipPlan, draw_chip, least_blocks
from deadstick.simulate.draw_code import draw_code
from deadstick.simulate.draw_contents import Fill, drawn_history
from deadstick.simulate.draw_extra import draw_other_page, rate_of
from deadstick.simulate.draw_layout import Marker, PagePlan, draw_layout, draw_plan
from deadstick.simulate.draw_ranges import NOISY, PRESETS, READS, SPREAD, WIDE, Ranges
from deadstick.simulate.draw_reads import Reading, draw_reading, read_chips
from deadstick.simulate.draw_scrambler import draw_primitive, draw_scrambler
from deadstick.simulate.draw_spread import draw_spread, is_paired
from deadstick.simulate.draw_words import chip_options, read_options, recipe_options, spread_options
from deadstick.simulate.history import History, scenario_history

__all__ = [
    "NOISY",
    "PRESETS",
    "READS",
    "SPREAD",
    "WIDE",
    "DrawnCase",
    "DrawnRecipe",
    "Ranges",
    "draw_case",
    "draw_controller",
    "draw_primitive",
    "draw_recipe",
]

_ATTEMPTS = 200


@dataclass(frozen=True)
class DrawnRecipe:
    """A recipe with the words for a table of results.

    Attributes:
        recipe: what the controller does.
        options: name of an option -> what was drawn.
    """

    recipe: Recipe
    options: dict[str, str]


@dataclass(frozen=True)
class DrawnCase:
    """The dumps of a drawn controller, and what is behind them for a test to compare with.

    Attributes:
        reads: for each chip its reads, `uint8[bytes]` each; chips in the order in which their dumps are given.
        recipe: what the controller did.
        history: what was on the disk.
        plan: how the controller lived.
        options: name of an option -> what was drawn, for a table of results.
    """

    reads: tuple[tuple[NDArray[np.uint8], ...], ...]
    recipe: Recipe
    history: History
    plan: ChipPlan
    options: dict[str, str] = field(default_factory=dict)

    @property
    def dump(self) -> NDArray[np.uint8]:
        """`uint8[bytes]`: the first read of the first chip; all there is, unless the ranges ask for more."""
        return self.reads[0][0]


def draw_case(seed: int, ranges: Ranges | None = None) -> DrawnCase:
    """Draw a controller, let a stick live under it, and read the chip.

    Args:
        seed: of everything; the same seed gives the same dump.
        ranges: what may be drawn.

    Returns:
        The dumps with their truth.
    """
    ranges = ranges or Ranges()
    drawn = draw_controller(seed, ranges)
    plan = draw_chip(_stream(seed, "chip"), ranges, drawn.recipe)
    plan = replace(plan, paired=is_paired(_stream(seed, "pairing")))
    reading = draw_reading(_stream(seed, "reads"), ranges, drawn.recipe.interleave.dumps)
    fill: Fill = "packed" if _stream(seed, "fill").random() < ranges.packed_share else "half full"
    if ranges.dump_bytes is None and fill == "half full":
        history = scenario_history(seed, plan.disk_bytes, fill=0.55)
    else:
        history = drawn_history(seed, plan.disk_bytes, fill, first_sector=plan.first_sector)
    rate = rate_of(drawn.recipe.code, int(drawn.options["codeword data"]), ranges)
    reads = read_chips(plan, drawn.recipe, history, seed, replace(ranges, raw_bit_error_rate=rate), reading)
    options = drawn.options | chip_options(plan, drawn.recipe, fill, [chip[0].size for chip in reads])
    options |= _options_of_dumps(ranges, drawn.recipe, plan, reading)
    return DrawnCase(reads, drawn.recipe, history, plan, options)


def _options_of_dumps(ranges: Ranges, recipe: Recipe, plan: ChipPlan, reading: Reading) -> dict[str, str]:
    """Only of what the ranges ask for."""
    options: dict[str, str] = {}
    if ranges.spread_share:
        options |= spread_options(recipe, paired=plan.paired)
    if max(ranges.reads) > 1:
        options |= read_options(reading)
    return options


def draw_recipe(seed: int, ranges: Ranges) -> Recipe:
    """Draw a recipe alone; see `draw_controller`."""
    return draw_controller(seed, ranges).recipe


def draw_controller(seed: int, ranges: Ranges) -> DrawnRecipe:
    """Draw a recipe.

    Args:
        seed: of the draw.
        ranges: what may be drawn.

    Raises:
        ValueError: the ranges leave no room for a controller.
    """
    mapped = bool(_stream(seed, "mapping").random() < ranges.mapped_share)
    translation = _draw_translation(_stream(seed, "translation"), ranges, mapped=mapped)
    plan, code, layout, marker = _draw_page(seed, ranges, _field_bytes(translation))
    interleave = draw_spread(_stream(seed, "spread"), ranges, mapped=mapped, page_bytes=layout.page_bytes)
    pages_per_block = _draw_block_size(_stream(seed, "block"), ranges, plan.data, interleave.ways)
    # A keystream goes by the page of a page's own chip, and is read off one chip.
    total = _typical_bytes(ranges) // layout.page_bytes // len(interleave.chips)
    scrambler, rule = draw_scrambler(_stream(seed, "scrambler"), ranges, layout, pages_per_block, total)
    recipe = Recipe(pages_per_block, layout, code, scrambler, translation, interleave)
    return DrawnRecipe(recipe, recipe_options(recipe, code, plan, marker, rule))


def _draw_page(seed: int, ranges: Ranges, fields: int) -> tuple[PagePlan, Code, PageLayout, Marker]:
    """Sizes, code and layout. A code may not fit the page: then both are drawn again."""
    names = ("page", "layout", "code", "family")
    pages, layouts, codes, families = (_stream(seed, name) for name in names)
    other = bool(families.random() < ranges.other_share)
    low, high = (size.bit_length() - 1 for size in ranges.page_data)
    for _ in range(_ATTEMPTS):
        page_data = 1 << int(pages.integers(low, high + 1))
        if other:
            built = draw_other_page(families, ranges, page_data, fields)
            if built is not None:
                return *built, "none"
            continue
        plan = draw_plan(pages, ranges, page_data, fields)
        room = plan.room(ranges)
        code = draw_code(codes, ranges, plan.longest, plan.message, room) if room > 0 else None
        if code is not None:
            return plan, code, *draw_layout(layouts, ranges, plan, code.parity_bits)
    raise ValueError(f"no controller fits these ranges: {ranges}")


_STREAMS = (
    "mapping", "page", "layout", "code", "translation", "block", "scrambler", "chip", "fill", "family",
    "spread", "pairing", "reads",
)  # fmt: skip
"""By their places, so new ones go to the end."""


def _stream(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, 3, _STREAMS.index(name)])


def _typical_bytes(ranges: Ranges) -> int:
    return ranges.disk_bytes if ranges.dump_bytes is None else ranges.dump_bytes[0]


def _draw_block_size(rng: np.random.Generator, ranges: Ranges, page_data: int, ways: int) -> int:
    """A power of two, three times one, a multiple of 16 or any number; small enough that a unit has some blocks."""
    bytes_most = ranges.disk_bytes if ranges.dump_bytes is None else ranges.dump_bytes[1]
    low = ranges.pages_per_block[0]
    high = min(ranges.pages_per_block[1], max(low, bytes_most // least_blocks(ranges) // ways // page_data))
    if rng.random() < ranges.odd_blocks:
        step = 16 if rng.random() < 0.5 else 2
        return -(-low // step) * step + step * int(rng.integers(0, (high - low) // step + 1))
    sizes = [size << shift for size in (1, 3) for shift in range(4, 10)]
    allowed = [size for size in sorted(sizes) if low <= size <= high]
    return allowed[int(rng.integers(len(allowed)))]


def _draw_translation(rng: np.random.Generator, ranges: Ranges, *, mapped: bool) -> Translation:
    if not mapped:
        return IDENTITY
    order: Literal["little", "big"] = "little" if rng.random() < 0.5 else "big"
    if not ranges.controllers_vary:
        first = int(rng.integers(0, 3))
        return Translation("block", BitField(first, 2, order), BitField(first + 2, 2, order))
    number, version = int(rng.integers(2, 5)), int(rng.integers(1, 5))
    first, gap = int(rng.integers(0, 3)), int(rng.integers(0, 2))
    # The other bits of a number are flags; 12 bits hold all blocks of such a chip.
    mask = 0xFFFFFFFF if rng.random() < 0.7 else (1 << int(rng.integers(12, 8 * number + 1))) - 1
    if rng.random() < 0.5:
        fields = BitField(first, number, order, mask), BitField(first + number + gap, version, order)
    else:
        fields = BitField(first + version + gap, number, order, mask), BitField(first, version, order)
    return Translation("block", *fields)


def _field_bytes(translation: Translation) -> int:
    """Metadata bytes up to the end of the last field."""
    fields = (translation.logical_number, translation.version)
    return max((field.first_byte + field.length for field in fields if field is not None), default=0)
