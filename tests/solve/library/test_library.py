"""The library: recipes that were solved before are ranked by a fingerprint and proven, never trusted."""

import os
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deadstick.errors import HintError
from deadstick.recipe import toml
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.controller import block_mapped_dump
from deadstick.simulate.history import History, scenario_history
from deadstick.solve.answer.prove import prove, weigh
from deadstick.solve.hints.hints import CodeHint, Hints
from deadstick.solve.library import library
from deadstick.solve.library.fingerprint import fingerprint, similarity
from deadstick.solve.library.library_look_up import look_up

SEEDS = tuple(np.random.default_rng(8).integers(1, 1 << 23, 64).tolist())
PLAIN = Recipe(
    64,
    in_line(2216, 2, 1024, 8, 70),
    Code(14, 0x402B, 40, bit_order="lsb"),
    None,
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
AFTER = replace(PLAIN, scrambler=Scrambler("after_ecc", "page", LfsrKeystreams(0x800021, SEEDS)))
BEFORE = replace(
    PLAIN, scrambler=Scrambler("before_ecc", "page", LfsrKeystreams(0x800021, SEEDS), frozenset({Part.DATA}))
)


def with_other_seeds(recipe: Recipe) -> Recipe:
    assert recipe.scrambler is not None
    keystreams = LfsrKeystreams(0x800021, SEEDS[::-1])
    return replace(recipe, scrambler=replace(recipe.scrambler, keystreams=keystreams))


@pytest.fixture(scope="module")
def history() -> History:
    return scenario_history(11, 4 << 20)


def dump_of(history: History, recipe: Recipe, seed: int = 1) -> np.ndarray:
    return block_mapped_dump(history.states, recipe, 48, seed, bad=1, wear_moves=2, rate=2e-4)[0]


@pytest.fixture(scope="module")
def after(history: History) -> np.ndarray:
    return dump_of(history, AFTER)


@pytest.fixture(scope="module")
def before(history: History) -> np.ndarray:
    return dump_of(history, BEFORE)


class TestProof:
    def test_a_right_recipe_is_proven_by_code_and_volume(self, after: np.ndarray) -> None:
        proof = weigh(after, AFTER)
        assert proof.is_sure
        assert proof.decoded > 0.9 * proof.examined
        assert proof.volume > 500
        assert (proof.recipe, proof.refound) == (AFTER, None)
        assert proof.log10_chance < -1000

    def test_a_wrong_code_decodes_nothing(self, after: np.ndarray) -> None:
        wrong = replace(AFTER, code=Code(14, 0x4443, 40, bit_order="lsb"))
        proof = weigh(after, wrong)
        assert (proof.decoded, proof.is_sure, proof.volume) == (0, False, 0.0)

    def test_wrong_seeds_after_the_code_decode_nothing(self, after: np.ndarray) -> None:
        wrong = with_other_seeds(AFTER)
        assert not weigh(after, wrong).is_decoding

    def test_wrong_seeds_before_the_code_decode_but_make_no_volume(self, before: np.ndarray) -> None:
        wrong = with_other_seeds(BEFORE)
        proof = weigh(before, wrong)
        assert proof.is_decoding
        assert not proof.is_sure

    def test_a_translation_that_does_not_fit_is_found_anew(self, after: np.ndarray) -> None:
        wrong = replace(AFTER, translation=IDENTITY)
        proof = weigh(after, wrong)
        assert proof.refound is not None
        assert proof.recipe.translation.logical_number is not None
        assert proof.recipe.pages_per_block == 64
        assert proof.is_sure
        assert proof.own_volume < 64 < proof.volume

    def test_a_recipe_of_the_user_with_a_wrong_translation_is_refused_with_both_figures(
        self, after: np.ndarray
    ) -> None:
        with pytest.raises(HintError, match=r"identity\) does not fit: volumes are consistent by \d+ bits under it"):
            prove(after, replace(AFTER, translation=IDENTITY))

    def test_a_recipe_that_makes_no_volume_says_so(self) -> None:
        noise = [np.random.default_rng(2).integers(0, 256, 1 << 20, np.uint8)]
        dump = block_mapped_dump(noise, PLAIN, 16, 3)[0]
        found = prove(dump, PLAIN)
        assert "no volume was recognised" in found.findings[0].answer

    def test_zero_pages_prove_nothing(self) -> None:
        # They are codewords of every linear code.
        assert weigh(np.zeros(1 << 20, np.uint8), PLAIN).examined == 0

    def test_a_dump_shorter_than_a_page_is_refused(self) -> None:
        with pytest.raises(HintError, match="longer than the dump"):
            prove(np.zeros(1000, np.uint8), PLAIN)


class TestFingerprint:
    def test_two_dumps_of_one_controller_are_alike(self, after: np.ndarray) -> None:
        other = dump_of(scenario_history(12, 4 << 20, fill=0.4), AFTER, seed=5)
        mine, yours = fingerprint(after, AFTER), fingerprint(other, AFTER)
        assert mine.steady == yours.steady
        assert mine.shown > 0.01
        assert similarity(mine, yours) > 0.8

    def test_another_controller_is_less_alike(self, after: np.ndarray, history: History) -> None:
        kept = fingerprint(after, AFTER)
        assert similarity(kept, fingerprint(after, AFTER)) == 1.0
        assert similarity(kept, fingerprint(dump_of(history, PLAIN), AFTER)) < 0.7
        noise = np.random.default_rng(1).integers(0, 256, 4 << 20, np.uint8)
        assert similarity(kept, fingerprint(noise, AFTER)) < 0.3

    def test_what_is_too_short_has_none(self) -> None:
        assert fingerprint(np.zeros(5000, np.uint8), AFTER).excess == 0.0


class TestLibrary:
    def test_a_recipe_is_kept_once_and_can_be_copied(self, after: np.ndarray, tmp_path: Path) -> None:
        path = library.add(tmp_path, after, AFTER)
        assert path is not None
        assert toml.load(path) == AFTER  # a recipe like any other
        text = path.read_bytes()
        assert library.add(tmp_path, after, AFTER) is None
        assert [item.read_bytes() for item in tmp_path.iterdir()] == [text]

    def test_a_file_that_somebody_corrected_is_not_overwritten(self, after: np.ndarray, tmp_path: Path) -> None:
        place = tmp_path / library.name_of(AFTER)
        place.write_text("# mine\n")
        assert library.add(tmp_path, after, AFTER) is None
        assert place.read_text() == "# mine\n"

    def test_a_file_system_without_links_will_do(
        self, after: np.ndarray, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        def refuse(*_: object) -> None:
            raise OSError("no links here")

        monkeypatch.setattr(os, "link", refuse)
        path = library.add(tmp_path, after, AFTER)
        assert path is not None
        assert list(tmp_path.iterdir()) == [path]

    def test_the_right_recipe_is_taken_and_says_why(self, history: History, tmp_path: Path, after: np.ndarray) -> None:
        path = library.add(tmp_path, after, AFTER)
        assert path is not None
        library.add(tmp_path, after, PLAIN)
        found = look_up(dump_of(history, AFTER, seed=9), Hints(library=tmp_path))
        assert found.solution is not None
        assert found.solution.recipe is not None
        assert found.solution.recipe.scrambler == AFTER.scrambler
        assert found.finding is not None
        assert found.finding.answer == f"from the library, file {path.name}"
        assert "codewords decode; volumes consistent by" in found.finding.figure
        assert found.finding.log10_chance is not None
        assert found.finding.log10_chance < -100

    def test_a_wrong_recipe_with_the_right_fingerprint_is_refused(self, tmp_path: Path, before: np.ndarray) -> None:
        """Its seeds are those of another stick of the same make: all that the fingerprint sees is the same."""
        wrong = with_other_seeds(BEFORE)
        library.add(tmp_path, before, wrong)
        found = look_up(before, Hints(library=tmp_path))
        assert found.solution is None
        assert found.finding is not None
        (tried,) = found.finding.rivals
        assert "fingerprint 100% alike" in tried.figure

    def test_a_wrong_recipe_with_the_better_fingerprint_does_not_hide_the_right_one(
        self, tmp_path: Path, before: np.ndarray
    ) -> None:
        wrong = with_other_seeds(BEFORE)
        library.add(tmp_path, before, wrong)
        toml.save(BEFORE, tmp_path / "without-fingerprint.toml")
        found = look_up(before, Hints(library=tmp_path))
        assert found.solution is not None
        assert found.finding is not None
        assert "without-fingerprint.toml" in found.finding.answer
        assert [rival.answer for rival in found.finding.rivals] == [library.name_of(wrong)]

    def test_a_translation_of_another_firmware_is_found_anew(self, tmp_path: Path, after: np.ndarray) -> None:
        other = replace(AFTER, translation=Translation("block", BitField(4, 2), BitField(6, 2)))
        library.add(tmp_path, after, other)
        found = look_up(after, Hints(library=tmp_path))
        assert found.solution is not None
        assert found.solution.recipe is not None
        number = found.solution.recipe.translation.logical_number
        assert number is not None
        assert number.first_byte == 0

    def test_recipes_that_contradict_a_hint_are_left_out(self, tmp_path: Path, after: np.ndarray) -> None:
        library.add(tmp_path, after, AFTER)
        found = look_up(after, Hints(library=tmp_path, code=CodeHint("bch", t=24)))
        assert found.solution is None
        assert found.finding is not None
        assert found.finding.figure.startswith("0 of 1 recipes were tried")

    def test_a_file_that_is_no_recipe_is_told_and_does_no_harm(self, tmp_path: Path, after: np.ndarray) -> None:
        (tmp_path / "broken.toml").write_text("[layout\n")
        (tmp_path / "odd.toml").write_text("[library]\nfingerprint = 5\n")
        found = look_up(after, Hints(library=tmp_path))
        assert found.finding is not None
        assert "2 files cannot be used" in found.finding.figure
        assert "broken.toml" in found.finding.figure
        library.add(tmp_path, after, AFTER)
        assert look_up(after, Hints(library=tmp_path)).solution is not None

    def test_no_folder_is_no_error(self, tmp_path: Path, after: np.ndarray) -> None:
        assert look_up(after, Hints(library=tmp_path / "none")).finding is None
        assert look_up(after, Hints()).finding is None
