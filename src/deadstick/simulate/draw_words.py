"""What was drawn in words, for the tables of the campaigns."""

from collections.abc import Sequence

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.simulate.draw_chip import ChipPlan
from deadstick.simulate.draw_contents import Fill
from deadstick.simulate.draw_layout import Marker, PagePlan
from deadstick.simulate.draw_ranges import SeedRule
from deadstick.simulate.draw_reads import Reading


def recipe_options(recipe: Recipe, code: Code, plan: PagePlan, marker: Marker, rule: SeedRule | None) -> dict[str, str]:
    """What the controller does to a page."""
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


def chip_options(plan: ChipPlan, recipe: Recipe, fill: Fill, sizes: Sequence[int]) -> dict[str, str]:
    """How the controller lived, and what was read.

    Args:
        plan: how it lived.
        recipe: what it did to the pages.
        fill: of the disk.
        sizes: bytes of each dump.
    """
    mapped = recipe.translation.kind == "block"
    lane = recipe.layout.page_bytes // recipe.interleave.lanes
    cut = "whole" if plan.cut == 1.0 else "cut inside a page" if any(size % lane for size in sizes) else "cut"
    return {
        "fill": fill,
        "mapping": f"block, version by {plan.counter}" if mapped else "identity",
        "erased blocks": "some" if plan.erased else "none",
        "end": cut,
        "dump": _class(sum(sizes) >> 20, (16, 32, 48)) + " MiB",
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


def spread_options(recipe: Recipe, *, paired: bool) -> dict[str, str]:
    """How the pages lie over chips and planes."""
    interleave, mapped = recipe.interleave, recipe.translation.kind == "block"
    dumps = [dump for chip in interleave.chip_order for dump in interleave.chips[chip]]
    numbers = "of each unit" if interleave.numbers == "own" else "over all units"
    return {
        "chips": str(interleave.dumps),
        "bus": "two chips byte by byte" if interleave.lanes > 1 else "each chip its own",
        "planes": str(interleave.planes),
        "dumps given": "in order" if dumps == sorted(dumps) else "in another order",
        "pages": f"{interleave.by} by {interleave.by}" if interleave.ways > 1 else "as they are",
        "logical numbers": numbers if interleave.ways > 1 else "of one unit",
        "units": ("in step" if paired or not mapped else "each for itself") if interleave.ways > 1 else "one",
    }


def read_options(reading: Reading) -> dict[str, str]:
    """How often the chips were read, and how well."""
    return {
        "reads": str(max(len(chip) for chip in reading.rates)),
        "best read": f"{_class(int(min(min(chip) for chip in reading.rates)), (2, 4))} times the rate",
        "errors in all reads": f"{_class(int(100 * reading.lasting), (10, 25))} %",
    }
