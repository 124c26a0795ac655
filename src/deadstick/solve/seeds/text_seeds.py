"""Seeds from text: where nothing is constant under a keystream, the highest bits of ASCII text still are.

Over the stored codewords the code's equations give a missing seed as well. But where the keystream starts anew at every
codeword it is the same in all of them, and codes with little parity leave fewer equations than a long register has
stages. A few dozen bytes of text, eight for each bit that is needed, show the state without the code; the code then
says whether the seed is right.
"""

from collections.abc import Sequence

import numpy as np

from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, stream_positions
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.keystream.keystream import SURE_HITS
from deadstick.solve.page_size.seed_votes import majority
from deadstick.solve.register.register import Register
from deadstick.solve.register.register_states import rewound
from deadstick.solve.register.text_hits import find_text_hits


def seeds_by_text(recipe: Recipe, register: Register, survey: Survey, missing: Sequence[int]) -> dict[int, int]:
    """Seeds of keystreams over the stored codewords, where some runs of text in different columns agree on one.

    Args:
        recipe: with the rule of the keystreams.
        register: whose output they are.
        survey: pages as read.
        missing: keystreams without a seed.

    Returns:
        Seed by number of the keystream; those that no text shows are left out.
    """
    scrambler, layout = recipe.scrambler, recipe.layout
    if not missing or scrambler is None or not isinstance(scrambler.keystreams, LfsrKeystreams):
        return {}
    if scrambler.keystreams.polynomial != register.polynomial:
        return {}
    ways = (find_text_hits(survey.data, register, complement=complement) for complement in (False, True))
    hits = max(ways, key=lambda found: len(found.positions))
    page, column = np.divmod(hits.positions, layout.page_bytes)
    numbers = scrambler.index(page, recipe.pages_per_block)
    positions = stream_positions(layout, scrambler.restart, scrambler.covers)[column]
    kept = (page < len(survey.pages)) & np.isin(numbers, missing) & (positions >= 0)
    kept[kept] &= survey.written[page[kept]]
    if not kept.any():
        return {}
    seeds = rewound(hits.states[kept], positions[kept], register)
    # Copies of one page say the same: each column counts once.
    witnesses = np.stack([numbers[kept].astype(np.uint64), column[kept].astype(np.uint64), seeds])
    _, own = np.unique(witnesses, axis=1, return_index=True)
    winners, _, _ = majority(numbers[kept][own], seeds[own], SURE_HITS)
    return winners
