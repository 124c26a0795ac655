"""The library for several chips: what decodes is taken from it, and the order of the pages is proven anew."""

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from spread_kit import RECIPE, SEEDS, TWO, Bytes, played, stick

from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe import toml
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import Interleave
from deadstick.recipe.layout import spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams
from deadstick.recipe.translation import IDENTITY
from deadstick.solve.answer.describe import described
from deadstick.solve.blocks.block_metadata import block_metadata
from deadstick.solve.blocks.placed_blocks import placed_blocks
from deadstick.solve.blocks.trial_disk import TrialDisk
from deadstick.solve.common.evidence import Solution
from deadstick.solve.hints.hints import CodeHint, Hints, InterleaveHint, KnownParts
from deadstick.solve.library import library
from deadstick.solve.library.library_look_up import LookUp, look_up
from deadstick.solve.library.library_several import groupings, look_up_several
from deadstick.solve.solver import solve

IN_ORDER = replace(RECIPE, interleave=Interleave.of_chips(2))
SWAPPED = replace(RECIPE, interleave=Interleave(TWO, 1, ((1, 0), (0, 0))))
JOINED = replace(RECIPE, interleave=Interleave(((0, 1),)))
EIGHT = Interleave(TWO, 8, tuple((chip, plane) for plane in (0, 4, 1, 5, 2, 6, 3, 7) for chip in (0, 1)))


def kept(folder: Path, recipe: Recipe, dumps: Sequence[Bytes]) -> Path:
    path = library.add(folder, dumps, recipe)
    assert path is not None
    return path


def looked_up(dumps: Sequence[Bytes], folder: Path, **hints: object) -> LookUp:
    return look_up_several(dumps, replace(Hints(library=folder), **hints), lambda *_: None, described)  # type: ignore[arg-type]


def equal_sectors(dumps: Sequence[Bytes], recipe: Recipe, seed: int) -> float:
    space = PageSpace.of_dumps(dumps, recipe)
    physical = placed_blocks(space, recipe, block_metadata(space, recipe))
    truth = stick(seed).disk
    content = TrialDisk(space, recipe, physical).read(0, len(truth))
    disk = np.frombuffer(content.ljust(len(truth), b"\0"), np.uint8)
    return float((disk.reshape(-1, 512) == truth.reshape(-1, 512)).all(axis=1).mean())


def recipe_of(found: LookUp) -> Recipe:
    assert found.solution is not None
    assert found.solution.recipe is not None
    return found.solution.recipe


class TestKeeping:
    """One controller, one file."""

    def test_the_order_in_which_dumps_were_given_is_not_kept(self, tmp_path: Path) -> None:
        dumps = played(IN_ORDER)
        path = kept(tmp_path, IN_ORDER, dumps)
        assert toml.load(path) == IN_ORDER
        assert library.add(tmp_path, dumps[::-1], SWAPPED) is None
        assert list(tmp_path.iterdir()) == [path]

    def test_chips_on_one_bus_likewise(self, tmp_path: Path) -> None:
        dumps = played(JOINED)
        path = kept(tmp_path, replace(JOINED, interleave=Interleave(((1, 0),))), dumps[::-1])
        assert toml.load(path) == JOINED
        assert library.add(tmp_path, dumps, JOINED) is None

    def test_an_order_that_was_not_proven_is_not_kept(self, tmp_path: Path) -> None:
        unsure = replace(IN_ORDER, interleave=replace(IN_ORDER.interleave, sure=False))
        assert library.add(tmp_path, played(IN_ORDER), unsure) is None
        assert list(tmp_path.iterdir()) == []

    def test_fingerprints_are_those_of_the_joined_chips(self, tmp_path: Path) -> None:
        kept(tmp_path, JOINED, played(JOINED))
        (entry,), _ = library.entries(tmp_path)
        assert entry.fingerprint is not None
        assert entry.fingerprint.shown > 0.01


class TestFinding:
    """The next stick of the same make, its dumps in any order."""

    @pytest.mark.parametrize("turned", [False, True])
    @pytest.mark.parametrize("recipe", [IN_ORDER, JOINED], ids=["page by page", "byte by byte"])
    def test_a_recipe_is_found_again_and_proven(self, recipe: Recipe, turned: bool, tmp_path: Path) -> None:
        path = kept(tmp_path, recipe, played(recipe))
        dumps = played(recipe, 4)[::-1] if turned else played(recipe, 4)
        asked: list[str] = []
        found = solve(dumps, Hints(library=tmp_path), lambda stage, *_: asked.append(stage))
        assert found.recipe is not None
        assert found.recipe.interleave.sure
        assert equal_sectors(dumps, found.recipe, 4) > 0.999
        assert found.reason == f"the recipe {path.name} of the library decodes the dumps"
        answers = {finding.question: finding.answer for finding in found.findings}
        assert answers["library"] == f"from the library, file {path.name}"
        assert {"bus", "interleave", "given parts"} <= set(answers)
        # Nothing of what the recipe says was searched.
        assert not {"register", "geometry", "code", "scrambler"} & set(asked)

    def test_an_order_that_the_recipe_has_wrong_is_put_right(self, tmp_path: Path) -> None:
        wrong = replace(RECIPE, interleave=Interleave.of_chips(2, 2, "block"), translation=IDENTITY)
        kept(tmp_path, wrong, played(IN_ORDER))
        found = recipe_of(looked_up(played(IN_ORDER, 4), tmp_path))
        assert found.interleave == IN_ORDER.interleave
        assert found.translation.logical_number == RECIPE.translation.logical_number
        assert equal_sectors(played(IN_ORDER, 4), found, 4) > 0.999

    def test_an_order_that_the_search_does_not_come_to_is_taken_and_not_proven(self, tmp_path: Path) -> None:
        recipe = replace(RECIPE, interleave=EIGHT, translation=IDENTITY)
        kept(tmp_path, recipe, played(recipe))
        for dumps in (played(recipe, 4), played(recipe, 4)[::-1]):
            found = looked_up(dumps, tmp_path)
            assert not recipe_of(found).interleave.sure
            assert recipe_of(found).interleave.planes == 8
            assert equal_sectors(dumps, recipe_of(found), 4) > 0.999
            assert found.solution is not None
            assert "nothing is called exact" in found.solution.reason

    def test_keystreams_of_another_stick_are_refused(self, tmp_path: Path) -> None:
        """Before the code, they decode as well as the right ones; only the volumes tell."""
        assert RECIPE.scrambler is not None
        before = replace(IN_ORDER, scrambler=replace(RECIPE.scrambler, place="before_ecc"))
        others = replace(before.scrambler, keystreams=LfsrKeystreams(0x8003, SEEDS[::-1]))  # type: ignore[type-var]
        path = kept(tmp_path, replace(before, scrambler=others), played(before))
        found = looked_up(played(before), tmp_path)
        assert found.solution is None
        assert found.finding is not None
        (tried,) = found.finding.rivals
        assert tried.answer == f"{path.name}, each dump is a chip of its own; so the code says"
        assert "codewords decode" in tried.figure

    def test_a_foreign_code_is_refused(self, tmp_path: Path) -> None:
        kept(tmp_path, replace(IN_ORDER, code=Code(13, 0x2027, 12)), played(IN_ORDER))
        found = looked_up(played(IN_ORDER), tmp_path)
        assert found.solution is None
        assert found.finding is not None
        assert found.finding.rivals[0].figure.startswith("0 of ")

    def test_a_foreign_chip_is_not_taken_along(self, tmp_path: Path) -> None:
        kept(tmp_path, IN_ORDER, played(IN_ORDER))
        noise = np.random.default_rng(1).integers(0, 256, len(played(IN_ORDER)[0]), dtype=np.uint8)
        found = looked_up([played(IN_ORDER)[0], noise], tmp_path)
        assert found.solution is None
        assert found.finding is not None
        assert "dump 1 does not decode under the recipe of the first chip" in found.finding.rivals[0].figure

    def test_recipes_for_other_jobs_are_left_out(self, tmp_path: Path) -> None:
        kept(tmp_path, IN_ORDER, played(IN_ORDER))
        unsure = replace(IN_ORDER, interleave=replace(IN_ORDER.interleave, sure=False))
        toml.save(replace(unsure, code=RECIPE.code), tmp_path / "unsure.toml")
        three = looked_up([*played(IN_ORDER), played(IN_ORDER)[0]], tmp_path)
        hinted = looked_up(played(IN_ORDER), tmp_path, code=CodeHint("bch", t=24))
        one = look_up(played(IN_ORDER)[0], Hints(library=tmp_path))
        for found, recipes in ((three, 2), (hinted, 2)):
            assert found.solution is None
            assert found.finding is not None
            assert found.finding.figure.startswith(f"0 of {recipes} recipes were tried")
        assert one.solution is None
        assert looked_up(played(IN_ORDER), tmp_path / "none").finding is None
        assert looked_up(played(IN_ORDER), tmp_path, library=None).finding is None

    def test_its_own_order_does_not_outweigh_what_the_user_says(self, tmp_path: Path) -> None:
        recipe = replace(RECIPE, interleave=EIGHT, translation=IDENTITY)
        kept(tmp_path, recipe, played(recipe))
        found = looked_up(played(recipe), tmp_path, known=KnownParts(interleave=InterleaveHint(planes=1)))
        assert found.solution is None
        assert found.finding is not None
        assert "(planes 1) does not fit" in found.finding.rivals[0].figure

    def test_a_page_that_two_chips_cannot_share_does_no_harm(self, tmp_path: Path) -> None:
        odd = Recipe(64, spare_groups(1055, 2, 512, 4, 9), Code(13, 0x201B, 5), None, IDENTITY, Interleave(((0, 1),)))
        toml.save(odd, tmp_path / "odd.toml")
        found = looked_up(played(IN_ORDER), tmp_path)
        assert found.finding is not None
        assert found.finding.figure.startswith("0 of 1 recipes were tried")

    def test_a_wrong_hint_on_the_interleave_is_refused_with_a_library_too(self, tmp_path: Path) -> None:
        kept(tmp_path, IN_ORDER, played(IN_ORDER))
        known = KnownParts(interleave=InterleaveHint(by="block"))
        found = looked_up(played(IN_ORDER), tmp_path, known=known)
        assert found.solution is None
        assert found.finding is not None
        assert "by block) does not fit" in found.finding.rivals[0].figure


def test_ways_of_taking_dumps_together() -> None:
    assert list(groupings(3, 1, Hints())) == [((0,), (1,), (2,))]
    pairs = list(groupings(4, 2, Hints()))
    assert len(pairs) == len(set(pairs)) == 12
    assert ((0, 3), (2, 1)) in pairs
    known = Hints(known=KnownParts(interleave=InterleaveHint(chips=((0, 3), (2, 1)))))
    assert list(groupings(4, 2, known)) == [((0, 3), (2, 1))]
    assert list(groupings(6, 2, Hints())) == [((0, 1), (2, 3), (4, 5))]


def test_what_the_library_had_to_say_stands_before_the_search() -> None:
    solution = Solution("unsolved", "nothing", None, ())
    assert LookUp(None, None).noted(solution) is solution
