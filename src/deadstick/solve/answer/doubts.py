"""What must hold beyond a recipe that decodes before a page counts as being in its place.

The search asks it of what it found, and of what the library brought: a recipe that was proven on one stick may leave
the places on the next one open.
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages
from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import StoredKeystreams
from deadstick.recipe.translation import IDENTITY
from deadstick.solve.answer.complete import keystream_period
from deadstick.solve.answer.endings import whole_pages
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.placed_blocks import has_unread_blocks
from deadstick.solve.blocks.translation_trials import SURE_VOLUME, consistency
from deadstick.solve.blocks.trial_disk import PageCache
from deadstick.solve.codeword.survey import SURVEY_BYTES
from deadstick.solve.common.evidence import Solution
from deadstick.solve.hints.hints import Hints
from deadstick.solve.interleave.chip_set import ChipSet
from deadstick.solve.interleave.several import spread_over
from deadstick.solve.register.register import find_registers
from deadstick.solve.scrambler.changed_marker import with_next
from deadstick.solve.scrambler.coded_pages import Unscrambled, known_pages
from deadstick.solve.scrambler.foreign_bytes import ERASED, foreign_byte
from deadstick.solve.scrambler.metadata_order import settled
from deadstick.solve.scrambler.metadata_table import has_open_metadata
from deadstick.solve.scrambler.stray_bytes import is_open_restart

PROVEN_SHARE, OPEN_SHARE = 0.75, 0.9
"""Shares of what the volumes promise that must hold before the places of pages count as proven; the second where the
metadata leave the numbers of all blocks open but for a constant."""
REGISTER_BYTES = 16 << 20
"""Read to see whether a register shows."""


@dataclass(frozen=True, slots=True)
class VolumeWitness:
    """What the volumes say of the places of pages.

    Attributes:
        score: bits by which they are consistent.
        share: of what they promise that holds.
        is_anchored: whether they begin where the disk does or where a partition says.
    """

    score: float
    share: float
    is_anchored: bool


def place_doubt(
    pages: NDArray[np.uint8], recipe: Recipe, places: VolumeWitness, *, is_given: bool = False
) -> str | None:
    """The first reason why pages, or a byte in them, may be out of their place; None where there is none.

    Args:
        pages: `uint8[pages, page_bytes]`, of the first chip.
        recipe: complete.
        places: what the volumes say under it.
        is_given: whether the user gave the translation.
    """
    share = OPEN_SHARE if has_open_metadata(recipe) else PROVEN_SHARE
    in_the_middle = recipe.translation.logical_number is None and not places.is_anchored
    questions = (
        (
            not is_given and not (places.score >= SURE_VOLUME and places.share >= share),
            "no volume confirms where its pages belong",
        ),
        (not is_given and in_the_middle, "its volume begins in the middle and no partition says so"),
        (has_unread_blocks(pages, recipe), "whole blocks lie under unknown keystreams and may be newer copies"),
        (_has_unused_register(pages, recipe), "a shift register shows that its keystreams do not follow"),
        (_has_marker_among_data(pages, recipe), "a byte of its data stays the same as a marker does"),
        (_has_stray_bytes(pages, recipe), "no blank data tell which keystream a few bytes out of their turn have"),
    )
    return next((words for is_open, words in questions if is_open), None) or foreign_byte(pages, recipe)


def _has_marker_among_data(pages: NDArray[np.uint8], recipe: Recipe) -> bool:
    """Whether the column of the bad-block marker and the first metadata byte look as if they were changed."""
    written = np.flatnonzero((pages[: SURVEY_BYTES // recipe.layout.page_bytes] == 0xFF).mean(axis=1) < ERASED)
    numbers = known_pages(recipe, with_next(written))
    return settled(recipe, pages[numbers], numbers, by_order=False).layout != recipe.layout


def _has_stray_bytes(pages: NDArray[np.uint8], recipe: Recipe) -> bool:
    """Whether another restart of the keystreams, which no code checks, gives a few bytes of the data other values."""
    surveyed = pages[: SURVEY_BYTES // recipe.layout.page_bytes]
    written = np.flatnonzero(~erased_pages(surveyed))
    return is_open_restart(recipe, surveyed[written], written)


def _has_unused_register(pages: NDArray[np.uint8], recipe: Recipe) -> bool:
    """Whether a register shows in pages whose keystreams are a table.

    Its rule fits no codewords that are a byte off their place, while a table fits any that decode.
    """
    scrambler = recipe.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams):
        return False
    some = np.ascontiguousarray(pages[: REGISTER_BYTES // recipe.layout.page_bytes]).reshape(-1)
    return bool(find_registers(some))


def doubted(data: NDArray[np.uint8], solution: Solution, progress: Progress) -> Solution:
    """What the library brought for one chip; nothing is exact under it where the search would not call it so.

    Args:
        data: `uint8[bytes]`, the dump.
        solution: solved.
        progress: told about the hypotheses for planes.
    """
    recipe = solution.recipe
    if recipe is None or not recipe.interleave.sure:
        return solution
    pages = whole_pages(data, recipe.layout)
    space = PageSpace.of(pages, recipe.pages_per_block)
    found = consistency(space, recipe, block_metadata(space, recipe, with_cut=True), PageCache())
    doubt = place_doubt(pages, recipe, VolumeWitness(found.score, found.share, found.is_anchored))
    if doubt is None and not recipe.interleave.is_none and not _is_found_again(data, recipe, progress):
        doubt = "the search does not come to this order of planes"
    if doubt is None:
        return solution
    unsure = replace(recipe, interleave=replace(recipe.interleave, sure=False))
    return replace(solution, recipe=unsure, reason=f"{solution.reason}; {doubt}, so nothing is called exact")


def _is_found_again(data: NDArray[np.uint8], recipe: Recipe, progress: Progress) -> bool:
    """Whether the search comes to the same planes, and proves them."""
    plain = Unscrambled(replace(recipe, translation=IDENTITY), 0, 0)
    found = spread_over(ChipSet((data,)), plain.recipe, keystream_period(plain), Hints(), progress)
    again = found.translation.recipe
    return (again.interleave, again.pages_per_block) == (recipe.interleave, recipe.pages_per_block)
