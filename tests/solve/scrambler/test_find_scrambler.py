"""The search for the scrambler on drawn dumps whose pages and code are known."""

from dataclasses import dataclass, replace

import numpy as np
import pytest

from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.simulate.draw import NOISY, WIDE, Ranges, draw_case, draw_recipe
from deadstick.solve.codeword.survey import Survey, surveyed
from deadstick.solve.register.register import find_registers
from deadstick.solve.scrambler.find_scrambler import find_scrambler

PAGES = 4000


@dataclass(frozen=True)
class Given:
    """Pages with a known layout and code."""

    survey: Survey
    layout: PageLayout
    code: Code
    lag: int


def lag_of(scrambler: Scrambler, pages_per_block: int, pages: int) -> int:
    """Pages after which the keystream mostly comes again, as the search for the code would have it."""
    if scrambler.place == "before_ecc":
        return 0
    index = scrambler.index(np.arange(pages), pages_per_block)
    again = [float((index[lag:] == index[:-lag]).mean()) for lag in range(1, min(1025, pages // 2))]
    return int(np.argmax(np.round(again, 2))) + 1


def judged(seed: int, ranges: Ranges) -> tuple[int, int, int]:
    """Pages looked at; of them, those that are not proven, and those that are proven and wrong."""
    case = draw_case(seed, ranges)
    true = case.recipe
    assert true.scrambler is not None
    part = surveyed(case.dump)
    survey = Survey(part, true.layout.page_bytes)
    code = replace(true.code, inverted=False, erased_is_codeword=False) if true.code else None
    assert code is not None
    lag = lag_of(true.scrambler, true.pages_per_block, len(survey.pages))
    found = find_scrambler(Given(survey, true.layout, code, lag), find_registers(part[: 32 << 20]))
    pages = survey.some_written(PAGES)
    ours = true.decode(survey.pages[pages], pages)
    sound = np.asarray((ours.errors >= 0).all(axis=1))
    if found is None or found.recipe.scrambler is None:
        return int(sound.sum()), int(sound.sum()), 0
    return compared(found.recipe, survey.pages[pages][sound], pages[sound], ours.data[sound])


def compared(found: Recipe, raw: np.ndarray, pages: np.ndarray, data: np.ndarray) -> tuple[int, int, int]:
    """Whether the data come out, or all of them as their complement, which the volume tells."""
    theirs = found.decode(raw, pages)
    proven = np.asarray((theirs.errors >= 0).all(axis=1))
    same = (theirs.data == data).all(axis=1)
    complement = (theirs.data == ~data).all(axis=1)
    right = max(int((proven & same).sum()), int((proven & complement).sum()))
    return len(pages), int((~proven).sum()), int(proven.sum()) - right


@pytest.mark.parametrize(("seed", "ranges"), [(13, WIDE), (28, WIDE), (14, NOISY)])
def test_keystreams_of_drawn_dumps(seed: int, ranges: Ranges) -> None:
    pages, unproven, wrong = judged(seed, ranges)
    assert wrong == 0
    assert unproven == 0
    assert pages > 500


@pytest.mark.campaign
@pytest.mark.parametrize("preset", ["wide", "noisy"])
def test_a_campaign_over_scramblers(preset: str) -> None:
    """Nothing proven is wrong, and of the registers most are found with all but a hundredth of the pages."""
    ranges = {"wide": WIDE, "noisy": NOISY}[preset]
    results: dict[bool, list[tuple[int, int, int]]] = {True: [], False: []}
    for seed in range(61 if preset == "wide" else 31):
        scrambler = draw_recipe(seed, ranges).scrambler
        if scrambler is not None:
            results[isinstance(scrambler.keystreams, LfsrKeystreams)].append(judged(seed, ranges))
    assert all(wrong == 0 for found in results.values() for _, _, wrong in found)
    registers = results[True]
    whole = [unproven <= pages // 100 for pages, unproven, _ in registers]
    assert sum(whole) >= 0.85 * len(whole)
