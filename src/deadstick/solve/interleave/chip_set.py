"""The dumps of a job, taken together as chips."""

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.page_source import woven
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.codeword.survey import SURVEY_BYTES
from deadstick.solve.interleave.interleave_orders import Chips, unmixed

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class ChipSet:
    """The dumps of a job, and which of them form one chip.

    Attributes:
        dumps: `uint8[bytes]` each.
        groups: for each chip its dumps; several where their bytes are taken in turn.
    """

    dumps: tuple[Bytes, ...]
    groups: Chips = ((0,),)

    @cached_property
    def first(self) -> Bytes:
        """`uint8[bytes]` of the first chip; of chips that are joined no more than the search looks at."""
        lanes = [self.dumps[dump] for dump in self.groups[0]]
        if len(lanes) == 1:
            return lanes[0]
        size = min(SURVEY_BYTES // len(lanes), *map(len, lanes))
        return woven([lane[:size] for lane in lanes])

    def space(self, recipe: Recipe) -> PageSpace:
        """The pages of all chips, one chip after another."""
        return PageSpace.of_dumps(self.dumps, replace(recipe, interleave=unmixed(self.groups)))
