"""Which of several hypotheses on the copies of blocks is taken."""

from deadstick.files.check import Check
from deadstick.files.judge import Consistency
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.blocks.translation_trials import TranslationTrial

LAYOUT = PageLayout(1024, (Codeword((Span.of_bytes(Part.DATA, 0, 512),), ()),))
VERSIONED = Recipe(16, LAYOUT, None, translation=Translation("block", BitField(0, 2), BitField(2, 1)))


def trial(share: float, *, proven: bool) -> TranslationTrial:
    return TranslationTrial(3800.0, VERSIONED, None, share, counted=True, is_proven=proven)


def test_an_order_that_the_copies_prove_bears_a_volume_of_which_a_part_is_missing() -> None:
    """Any copies at all may hold a bit better there than the newest ones."""
    bare = Consistency(968.0, (Check("facts", 968, 1000, 1.0),))
    assert trial(0.965, proven=True).is_in_order(bare)
    assert not trial(0.965, proven=False).is_in_order(bare)
    assert not trial(0.95, proven=True).is_in_order(bare)
