"""A slice of the solver's campaign: drawn controllers, solved from their dumps alone, and judged.

The whole campaign is `benchmarks/solver_campaign.py`; see docs/solver-campaign.md.
"""

from dataclasses import replace
from pathlib import Path

import pytest

from deadstick.flash.dump import Dump
from deadstick.simulate.draw import NOISY, WIDE, Ranges, draw_case
from deadstick.simulate.judge import Judgement, judge
from deadstick.solve.common.evidence import Solution
from deadstick.solve.solver import solve

QUICK = replace(
    WIDE,
    page_data=(2048, 8192),
    codeword_data=(1024,),
    t=(24, 60),
    pages_per_block=(32, 64),
    dump_bytes=(4 << 20, 6 << 20),
    raw_bit_error_rate=1e-4,
    kernel_polynomials=True,
    other_share=0.0,
    stored_share=0.0,
    packed_share=0.0,
)
"""Small dumps, and polynomials that are tried first."""


def solved(seed: int, ranges: Ranges, folder: Path) -> tuple[Solution, Judgement | None]:
    case = draw_case(seed, ranges)
    path = folder / "dump.bin"
    case.dump.tofile(path)
    found = solve(Dump.open(path))
    if found.recipe is None:
        return found, None
    disk = case.history.disk if case.plan.cut == 1.0 else None
    return found, judge(Dump.open(path), case.recipe, found.recipe, disk)


# Seeds that were found when this was written, to notice when that ends; the campaign counts those that are not.
@pytest.mark.parametrize("seed", [7, 8])
def test_a_drawn_controller_is_found_exactly(seed: int, tmp_path: Path) -> None:
    found, result = solved(seed, QUICK, tmp_path)
    assert found.outcome == "solved", found.reason
    assert result is not None
    assert result.verdict == "right", result


@pytest.mark.campaign
@pytest.mark.parametrize(("name", "ranges"), [("wide", WIDE), ("noisy", NOISY)])
@pytest.mark.parametrize("seed", range(1000, 1010))
def test_nothing_wrong_is_called_solved(name: str, ranges: Ranges, seed: int, tmp_path: Path) -> None:
    """Seeds that no one has tuned to: an answer may be missing, but none may be wrong."""
    found, result = solved(seed, ranges, tmp_path)
    if result is None:
        assert found.outcome in {"unsolved", "encrypted", "unreadable"}, name
        assert found.reason
    else:
        assert result.verdict != "wrong", (name, result)
