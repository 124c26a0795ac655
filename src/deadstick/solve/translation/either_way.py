"""Every translation, of the data as they are or of a complement of them, and with as few blocks as a chip may have."""

from deadstick.progress import Progress
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe.recipe import Recipe
from deadstick.solve.blocks.translation_trials import CONFIRMED_SHARE, SURE_VOLUME, TranslationTrial, best_of
from deadstick.solve.translation.complements import complements, with_other_metadata
from deadstick.solve.translation.every_trial import every_trial
from deadstick.solve.translation.few_numbers import few_trials


def either_way(space: PageSpace, recipe: Recipe, progress: Progress) -> list[TranslationTrial]:
    """Every hypothesis, and with complements where no volume is found.

    Data may be right and in the wrong places, as numbers are none in the complement of the metadata, or others. Then a
    volume is found, and much that it promises is not. So where the two turn apart the other ways are asked as well.
    Numbers of a few blocks are looked for where no others are confirmed.
    """
    judged = every_trial(space, recipe, progress)
    turn_apart = with_other_metadata(recipe) is not None
    for other in complements(recipe):
        best = best_of(judged)
        if best.score < SURE_VOLUME or (turn_apart and best.share < CONFIRMED_SHARE):
            judged += every_trial(space, other, progress)
    for base in (recipe, *complements(recipe)):
        if not best_of(judged).is_confirmed:
            judged += few_trials(space, base, progress)
    return judged
