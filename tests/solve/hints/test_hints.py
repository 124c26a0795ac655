"""Partial recipes and hints: read, joined, held against what was found."""

from pathlib import Path
from typing import Any

import pytest

from deadstick.errors import HintError, RecipeError
from deadstick.recipe import toml
from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.solve.common.evidence import Finding
from deadstick.solve.hints.check_hints import check_hints
from deadstick.solve.hints.hints import CodeHint, Hints, ScramblerHint
from deadstick.solve.hints.partial import hints_from_dict, is_whole, merged, read_hints

RECIPE = Recipe(
    64,
    in_line(4432, 4, 1024, 8, 70),
    Code(14, 0x402B, 40, bit_order="lsb"),
    Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, tuple(range(1, 65)))),
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
VALUES = toml.to_dict(RECIPE)


class TestPartialFiles:
    def test_a_whole_file_is_a_recipe_to_prove(self, tmp_path: Path) -> None:
        toml.save(RECIPE, tmp_path / "whole.toml")
        assert read_hints(tmp_path / "whole.toml") == Hints(recipe=RECIPE)

    def test_a_whole_file_that_calls_itself_partial_is_its_parts(self, tmp_path: Path) -> None:
        path = tmp_path / "part.toml"
        toml.save(RECIPE, path)
        path.write_text("partial = true\n" + path.read_text())
        given = read_hints(path)
        assert given.recipe is None
        assert given.known is not None
        assert (given.known.layout, given.known.code) == (RECIPE.layout, RECIPE.code)
        assert (given.known.scrambler, given.known.translation) == (RECIPE.scrambler, RECIPE.translation)
        assert (given.page_bytes, given.spare_bytes, given.pages_per_block) == (4096, 336, 64)
        assert given.bit_order == "lsb"
        assert given.scrambler == ScramblerHint("after_ecc", 0x8003, 64)

    @pytest.mark.parametrize("missing", ["layout", "translation"])
    def test_a_file_without_layout_or_translation_is_partial(self, missing: str) -> None:
        assert is_whole(VALUES)
        assert not is_whole({name: table for name, table in VALUES.items() if name != missing})

    def test_single_keys_are_hints(self) -> None:
        given = hints_from_dict(
            {
                "layout": {"page_bytes": 8832, "pages_per_block": 128},
                "code": {"primitive_polynomial": "0x402b", "data_bytes": 1024, "bit_order": "lsb"},
                "scrambler": {"place": "after_ecc", "polynomial": "0x8003", "keystream_count": 128},
            }
        )
        assert given == Hints(
            8192,
            640,
            128,
            code=CodeHint("bch", m=14, polynomial=0x402B, message_bytes=1024),
            scrambler=ScramblerHint("after_ecc", 0x8003, 128),
            bit_order="lsb",
        )

    def test_that_there_is_none_can_be_said(self) -> None:
        given = hints_from_dict({"code": {"family": "none"}, "scrambler": {"place": "none"}})
        assert (given.code, given.scrambler) == (CodeHint("none"), ScramblerHint("none"))

    @pytest.mark.parametrize(
        ("values", "words"),
        [
            ({}, "none of the tables"),
            ({"ecc": {}}, "ecc: a partial recipe has the tables"),
            ({"code": 5}, "code: must be a table"),
            ({"code": {"strength": 8}}, "code.strength"),
            ({"code": {"t": "8"}}, "code.t: '8' is no whole number"),
            ({"code": {"t": True}}, "code.t"),
            ({"code": {"family": "turbo"}}, "'turbo' is none of"),
            ({"code": {"inverted": 1}}, "code.inverted: 1 is neither"),
            ({"code": {"bit_order": "left"}}, "code.bit_order"),
            ({"code": {"primitive_polynomial": "x^14"}}, "no hexadecimal number"),
            (
                {"code": {"m": 14, "primitive_polynomial": "0x4001", "t": 4, "bit_order": "lsb"}},
                "not a primitive one",
            ),
            ({"scrambler": {"place": "inside"}}, "scrambler.place"),
            ({"scrambler": {"place": "none", "polynomial": "0x3"}}, "scrambler.polynomial"),
            ({"translation": {"kind": "page-mapped"}}, "translation: kind"),
            ({"layout": {"page_bytes": 0}}, "layout.page_bytes"),
            ({"layout": {"page_bytes": 100, "codeword": []}}, "at least one codeword"),
        ],
    )
    def test_what_is_unknown_or_impossible_is_named(self, values: dict[str, Any], words: str) -> None:
        with pytest.raises((HintError, RecipeError)) as refusal:
            hints_from_dict(values)
        assert words in str(refusal.value)

    def test_the_message_names_the_file(self, tmp_path: Path) -> None:
        path = tmp_path / "part.toml"
        path.write_text("[code]\nm = 99\n")
        with pytest.raises(HintError, match=r"part\.toml: code bch:m=99: m is 3 to 16"):
            read_hints(path)

    def test_hints_join_and_must_agree(self) -> None:
        both = merged(Hints(code=CodeHint("bch", t=40), page_bytes=8192), Hints(code=CodeHint("bch", m=14)))
        assert both == Hints(8192, code=CodeHint("bch", m=14, t=40))
        with pytest.raises(HintError, match="family bch and rs"):
            merged(Hints(code=CodeHint("bch")), Hints(code=CodeHint("rs")))
        with pytest.raises(HintError, match="spare_bytes 64 and 0"):
            merged(Hints(spare_bytes=64), Hints(spare_bytes=0))


class TestChecks:
    """What was found contradicts a hint, and the message says with which figures."""

    def test_hints_that_fit_are_accepted(self) -> None:
        code = CodeHint("bch", 14, 0x402B, 40, 1024, inverted=False, erased_is_codeword=False)
        hints = Hints(4096, 336, 64, code=code, scrambler=ScramblerHint("after_ecc", 0x8003, 128), bit_order="lsb")
        check_hints(RECIPE, hints)
        check_hints(RECIPE, hints_from_dict(VALUES))
        check_hints(RECIPE, Hints())

    @pytest.mark.parametrize(
        ("hints", "words"),
        [
            (
                Hints(code=CodeHint("bch", t=24)),
                "--code bch:t=24 does not fit the dump: the codewords have 80 consecutive roots, t = 40",
            ),
            (Hints(code=CodeHint("bch", m=13)), "the roots are in GF(2^14), the generator has degree 560"),
            (Hints(code=CodeHint("bch", m=14, polynomial=0x4443)), "powers of a root of 0x402b"),
            (Hints(code=CodeHint("bch", message_bytes=512)), "a codeword has 1024 data bytes"),
            (Hints(code=CodeHint("rs")), "BCH over GF(2^14)"),
            (Hints(code=CodeHint("none")), "BCH over GF(2^14)"),
            (Hints(code=CodeHint("bch", inverted=True)), "stored as they are"),
            (Hints(code=CodeHint("bch", erased_is_codeword=True)), "the parity is stored as it is"),
            (Hints(bit_order="msb"), "--bits msb does not fit the dump: the codewords are codewords with the least"),
            (Hints(scrambler=ScramblerHint("none")), "--scrambler none does not fit the dump: additive, after the ECC"),
            (Hints(scrambler=ScramblerHint("before_ecc")), "additive, after the ECC"),
            (Hints(scrambler=ScramblerHint(polynomial=0x1B)), "polynomial 0x8003"),
            (Hints(scrambler=ScramblerHint(period=48)), "there are 64 keystreams"),
            (Hints(page_bytes=2048), "pages have 4096 data bytes and 336 spare bytes"),
            (Hints(spare_bytes=64), "336 spare bytes"),
            (Hints(pages_per_block=128), "blocks have 64 pages"),
        ],
    )
    def test_a_hint_that_does_not_fit_is_refused_with_the_figures(self, hints: Hints, words: str) -> None:
        with pytest.raises(HintError) as refusal:
            check_hints(RECIPE, hints)
        assert words in str(refusal.value)

    def test_the_figures_of_the_finding_are_told(self) -> None:
        finding = Finding("code", "BCH", "24 of 24 words are multiples", -40.0)
        with pytest.raises(HintError, match=r"24 of 24 words are multiples; chance of an accident: 1 in 10\^40"):
            check_hints(RECIPE, Hints(code=CodeHint("bch", t=24)), [finding])

    @pytest.mark.parametrize("table", ["layout", "scrambler", "translation"])
    def test_a_table_of_another_controller_is_refused(self, table: str) -> None:
        other = Recipe(
            64,
            in_line(4432, 4, 1024, 4, 70),
            RECIPE.code,
            Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, tuple(range(2, 66)))),
            Translation("block", BitField(1, 2)),
        )
        check_hints(other, hints_from_dict({table: toml.to_dict(other)[table]}))
        with pytest.raises(HintError, match=f"the {table} of the recipe file"):
            check_hints(RECIPE, hints_from_dict({table: toml.to_dict(other)[table]}))
