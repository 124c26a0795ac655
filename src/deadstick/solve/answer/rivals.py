"""A proven recipe beside its nearest neighbours: the same pages decoded with one thing changed.

A figure such as "64 of 64 codewords decode" says most when the same is asked of what the recipe might have been
instead: the other bit order, no scrambler, the scrambler on the other side of the code. The neighbours cost a few pages
each.
"""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import RecipeError
from deadstick.recipe.code import BitOrder
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Restart, Scrambler
from deadstick.solve.answer.prove import count_decoded
from deadstick.solve.common.evidence import Rival
from deadstick.solve.scrambler.coded_pages import decode_chance

PAGES = 12
RESTARTS: tuple[Restart, ...] = ("codeword", "page", "column")


def neighbours(pages: NDArray[np.uint8], recipe: Recipe) -> tuple[Rival, ...]:
    """What the code says to recipes that differ from a proven one in a single thing.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump.
        recipe: proven.

    Returns:
        The neighbours, those that decode most first; empty for a recipe without a code.
    """
    if recipe.code is None:
        return ()
    counted = []
    for words, changed in _changed(recipe):
        try:
            decoded, examined = count_decoded(pages, changed, PAGES)
        except RecipeError:
            continue  # the change makes no recipe: a keystream over spans that are not whole bytes, for instance
        counted.append((decoded, words, examined, decode_chance(changed, decoded, examined)))
    counted.sort(key=lambda item: -item[0])
    return tuple(
        Rival(words, f"{decoded} of {examined} codewords decode", chance)
        for decoded, words, examined, chance in counted
    )


def _changed(recipe: Recipe) -> Iterator[tuple[str, Recipe]]:
    code, scrambler = recipe.code, recipe.scrambler
    if code is None:
        return
    other: BitOrder = "lsb" if code.bit_order == "msb" else "msb"
    yield f"{other} first instead of {code.bit_order}", replace(recipe, code=replace(code, bit_order=other))
    yield (
        "not inverted" if code.inverted else "inverted",
        replace(recipe, code=replace(code, inverted=not code.inverted)),
    )
    yield (
        "parity not masked" if code.erased_is_codeword else "parity masked",
        replace(recipe, code=replace(code, erased_is_codeword=not code.erased_is_codeword)),
    )
    if scrambler is None:
        return
    yield "no scrambler", replace(recipe, scrambler=None)
    if scrambler.place == "after_ecc":
        yield "scrambler before the ECC", replace(recipe, scrambler=replace(scrambler, place="before_ecc"))
    if scrambler.place == "before_ecc" or not recipe.layout.is_byte_aligned:
        return
    for restart in RESTARTS:
        moved = replace(scrambler, restart=restart)
        if not _is_same(recipe.layout, scrambler, moved):
            yield f"keystream restarts at every {restart}", replace(recipe, scrambler=moved)


def _is_same(layout: PageLayout, one: Scrambler, other: Scrambler) -> bool:
    """Whether two rules add the same bytes to all that the layout names; then they are no rivals."""
    columns = np.unique([column for span in layout.spans for column in range(span.start // 8, -(-span.end // 8))])
    return bool((one.masks(layout)[:, columns] == other.masks(layout)[:, columns]).all())
