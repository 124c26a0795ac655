"""Controllers drawn at random: every parameter from a range, so that a solver cannot know them by heart.

Each question has its own stream of random numbers, so that a new option leaves the answers to the others as they are.
"""

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.draw_chip import ChipPlan, draw_chip, least_blocks, read_chip
from deadstick.simulate.draw_code import draw_code
from deadstick.simulate.draw_contents import Fill, drawn_history
from deadstick.simulate.draw_extra import draw_other_page, rate_of
from deadstick.simulate.draw_layout import Marker, PagePlan, draw_layout, draw_plan
from deadstick.simulate.draw_ranges import NOISY, PRESETS, WIDE, Ranges, SeedRule
from deadstick.simulate.draw_scrambler import draw_primitive, draw_scrambler
from deadstick.simulate.history import History, scenario_history

__all__ = [
    "NOISY",
    "PRESETS",
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
    """A dump of a drawn controller, and what is behind it for a test to compare with.

    Attributes:
        dump: `uint8[bytes]`.
        recipe: what the controller did.
        history: what was on the disk.
        plan: how the controller lived.
        options: name of an option -> what was drawn, for a table of results.
    """

    dump: NDArray[np.uint8]
    recipe: Recipe
    history: History
    plan: ChipPlan
    options: dict[str, str] = field(default_factory=dict)


def draw_case(seed: int, ranges: Ranges | None = None) -> DrawnCase:
    """Draw a controller, let a stick live under it, and read the chip.

    Args:
        seed: of everything; the same seed gives the same dump.
        ranges: what may be drawn.

    Returns:
        The dump with its truth.
    """
    ranges = ranges or Ranges()
    drawn = draw_controller(seed, ranges)
    plan = draw_chip(_stream(seed, "chip"), ranges, drawn.recipe)
    fill: Fill = "packed" if _stream(seed, "fill").random() < ranges.packed_share else "half full"
    if ranges.dump_bytes is None and fill == "half full":
        history = scenario_history(seed, plan.disk_bytes, fill=0.55)
    else:
        history = drawn_history(seed, plan.disk_bytes, fill, first_sector=plan.first_sector)
    rate = rate_of(drawn.recipe.code, int(drawn.options["codeword data"]), ranges)
    dump = read_chip(plan, drawn.recipe, history, seed, replace(ranges, raw_bit_error_rate=rate))
    options = drawn.options | _options_of_chip(plan, drawn.recipe, fill, len(dump))
    return DrawnCase(dump, drawn.recipe, history, plan, options)


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
    pages_per_block = _draw_block_size(_stream(seed, "block"), ranges, plan.data)
    total = _typical_bytes(ranges) // layout.page_bytes
    scrambler, rule = draw_scrambler(_stream(seed, "scrambler"), ranges, layout, pages_per_block, total)
    recipe = Recipe(pages_per_block, layout, code, scrambler, translation)
    return DrawnRecipe(recipe, _options(recipe, code, plan, marker, rule))


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


_STREAMS = ("mapping", "page", "layout", "code", "translation", "block", "scrambler", "chip", "fill", "family")


def _stream(seed: int, name: str) -> np.random.Generator:
    return np.random.default_rng([seed, 3, _STREAMS.index(name)])


def _typical_bytes(ranges: Ranges) -> int:
    return ranges.disk_bytes if ranges.dump_bytes is None else ranges.dump_bytes[0]


def _draw_block_size(rng: np.random.Generator, ranges: Ranges, page_data: int) -> int:
    """A power of two, three times one, a multiple of 16 or any number; small enough that a chip has some blocks."""
    bytes_most = ranges.disk_bytes if ranges.dump_bytes is None else ranges.dump_bytes[1]
    low = ranges.pages_per_block[0]
    high = min(ranges.pages_per_block[1], max(low, bytes_most // least_blocks(ranges) // page_data))
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


# Words for the table ------------------------------------------------------------------------------


def _options(recipe: Recipe, code: Code, plan: PagePlan, marker: Marker, rule: SeedRule | None) -> dict[str, str]:
    spare = recipe.layout.page_bytes - recipe.layout.data_bytes
    used = sum(span.bits for span in recipe.layout.spans if span.part is not Part.DATA) // 8
    metadata = "none" if not plan.metadata else "first codeword only" if plan.first_only else "each codeword"
    forms = [name for name, is_so in (("inverted", code.inverted), ("masked", code.erased_is_codeword)) if is_so]
    return {
        "page data": str(plan.data),
        "codeword data": str(plan.message),
        "shape": plan.shape,
        "metadata": metadata + ("" if plan.covered or not plan.metadata else ", not covered"),
        "unused spare": "none" if spare - used < 2 else "up to 64" if spare - used <= 64 else "more than 64",
        "marker column": marker,
        "code": {"bch": "BCH", "reed_solomon": "Reed-Solomon", "hamming": "Hamming"}[code.family],
        "field": "none" if code.family == "hamming" else f"GF(2^{code.m})",
        "t": _class(code.t, (12, 24, 40, 56)) if code.family == "bch" else "other code",
        "bit order": code.bit_order,
        "stored form": " and ".join(forms) or "plain",
        "pages per block": _kind_of_block(recipe.pages_per_block),
        **_scrambler_options(recipe.scrambler, rule),
    }


def _scrambler_options(scrambler: Scrambler | None, rule: SeedRule | None) -> dict[str, str]:
    if scrambler is None:
        return {"scrambler": "none", "keystream": "none", "restart": "none", "seed rule": "none"}
    keystream = "stored table"
    if isinstance(scrambler.keystreams, LfsrKeystreams):
        keystream = f"register of {_class(scrambler.keystreams.polynomial.bit_length() - 1, (16, 32, 48))} stages"
    return {
        "scrambler": scrambler.place.replace("_ecc", " the ECC"),
        "keystream": keystream,
        "restart": scrambler.restart,
        "seed rule": f"by {rule}",
    }


def _options_of_chip(plan: ChipPlan, recipe: Recipe, fill: Fill, size: int) -> dict[str, str]:
    mapped = recipe.translation.kind == "block"
    cut = "whole" if plan.cut == 1.0 else "cut inside a page" if size % recipe.layout.page_bytes else "cut"
    return {
        "fill": fill,
        "mapping": f"block, version by {plan.counter}" if mapped else "identity",
        "erased blocks": "some" if plan.erased else "none",
        "end": cut,
        "dump": _class(size >> 20, (16, 32, 48)) + " MiB",
    }


def _class(value: int, bounds: tuple[int, ...]) -> str:
    """The range between two bounds that a value lies in."""
    below = max((bound for bound in bounds if bound <= value), default=None)
    above = min((bound for bound in bounds if bound > value), default=None)
    if below is None:
        return f"below {above}"
    return f"{below} or more" if above is None else f"{below} to {above - 1}"


def _kind_of_block(pages: int) -> str:
    if pages & (pages - 1) == 0:
        return "power of two"
    if pages % 3 == 0 and (pages // 3) & (pages // 3 - 1) == 0:
        return "three times a power of two"
    return "multiple of 16" if pages % 16 == 0 else "any number"
