"""A recipe that somebody brings is proven like any other hypothesis, never trusted."""

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.recipe.code import LOST
from deadstick.recipe.recipe import Recipe
from deadstick.solve import findings
from deadstick.solve.evidence import Solution

PAGES = 256
FEWEST_DECODED = 0.5


def prove(data: NDArray[np.uint8], recipe: Recipe) -> Solution:
    """Decode some pages by a recipe and count.

    Args:
        data: `uint8[bytes]`, the dump.
        recipe: the hypothesis.

    Returns:
        A solution with the recipe.

    Raises:
        HintError: the recipe's code corrects fewer than half of the codewords, or there is no whole page.
    """
    count = len(data) // recipe.layout.page_bytes
    if not count:
        raise HintError(f"the recipe's page of {recipe.layout.page_bytes} bytes is longer than the dump")
    pages = data[: count * recipe.layout.page_bytes].reshape(count, -1)
    numbers = np.unique(np.linspace(0, count - 1, PAGES).astype(np.int64))
    errors = recipe.decode(pages[numbers], numbers).errors
    decoded, examined = int((errors >= 0).sum()), int((errors >= LOST).sum())
    if recipe.code is not None and decoded < FEWEST_DECODED * examined:
        raise HintError(f"the recipe does not fit: only {decoded} of {examined} codewords decode under it")
    return Solution("solved", "the given recipe decodes the dump", recipe, (findings.given(recipe, decoded, examined),))
