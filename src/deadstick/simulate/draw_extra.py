"""Families of controllers that are drawn beside those of `draw`: other codes, interleaved chips.

A family is a function that takes a generator, the ranges and the recipe that was drawn, and gives another recipe with
the name of its option, or None where it does not fit. It belongs into one of the tuples; `Ranges` needs a share for it.
A family that changes more than the recipe (several chips, several reads) changes the dump instead.
"""

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.recipe import Recipe
from deadstick.simulate.draw_ranges import Ranges

RecipeFamily = Callable[[np.random.Generator, Ranges, Recipe], tuple[Recipe, dict[str, str]] | None]
DumpFamily = Callable[
    [np.random.Generator, Ranges, Recipe, NDArray[np.uint8]], tuple[NDArray[np.uint8], dict[str, str]]
]

RECIPE_FAMILIES: tuple[RecipeFamily, ...] = ()
DUMP_FAMILIES: tuple[DumpFamily, ...] = ()
