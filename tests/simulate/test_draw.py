"""The generator of random controllers: everything can be drawn, everything that is drawn works and is in range."""

from collections import defaultdict
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.codes.probability import failure_probability
from deadstick.flash.dump import Dump
from deadstick.flash.erased import erased_pages
from deadstick.recipe.layout import Part
from deadstick.recipe.scrambler import LfsrKeystreams, StoredKeystreams
from deadstick.simulate.draw import NOISY, PRESETS, WIDE, DrawnCase, Ranges, draw_case, draw_controller, draw_recipe
from deadstick.simulate.draw_code import weakest
from deadstick.simulate.draw_contents import drawn_history
from deadstick.simulate.draw_extra import rate_of
from deadstick.simulate.judge import judge

SMALL_DUMPS = replace(WIDE, dump_bytes=(2 << 20, 4 << 20), page_data=(512, 4096), pages_per_block=(32, 96))

REACHED = {
    "page data": {"512", "1024", "2048", "4096", "8192", "16384"},
    "codeword data": {"256", "512", "1024", "2048"},
    "code": {"BCH", "Reed-Solomon", "Hamming"},
    "shape": {"in line", "metadata first", "spare groups", "gathered", "bit-packed"},
    "metadata": {"none", "first codeword only", "each codeword", "each codeword, not covered"},
    "unused spare": {"none", "up to 64", "more than 64"},
    "marker column": {"none", "swapped", "moved", "skipped"},
    "field": {"none", "GF(2^9)", "GF(2^10)", "GF(2^13)", "GF(2^14)", "GF(2^15)"},
    "t": {"other code", "below 12", "12 to 23", "24 to 39", "40 to 55", "56 or more"},
    "bit order": {"msb", "lsb"},
    "stored form": {"plain", "inverted", "masked", "inverted and masked"},
    "pages per block": {"power of two", "three times a power of two", "multiple of 16", "any number"},
    "scrambler": {"none", "before the ECC", "after the ECC"},
    "keystream": {
        "none", "stored table", "register of below 16 stages", "register of 16 to 31 stages",
        "register of 32 to 47 stages", "register of 48 or more stages",
    },
    "restart": {"none", "codeword", "page", "column"},
    "seed rule": {"none", "by place", "by chip", "by block", "by affine"},
}  # fmt: skip


def test_every_option_is_drawn() -> None:
    met: dict[str, set[str]] = defaultdict(set)
    for seed in range(200):
        for option, value in draw_controller(seed, WIDE).options.items():
            met[option].add(value)
    assert set(met) == set(REACHED)
    for option, values in REACHED.items():
        assert values <= met[option], option


@pytest.mark.parametrize("preset", sorted(PRESETS))
def test_what_is_drawn_encodes_and_decodes(preset: str) -> None:
    for seed in range(30):
        recipe = draw_recipe(seed, PRESETS[preset])
        noise = np.random.default_rng(seed)
        pages = np.arange(3, dtype=np.int64) + recipe.pages_per_block - 1
        data = noise.integers(0, 256, (3, recipe.layout.data_bytes), dtype=np.uint8)
        metadata = noise.integers(0, 256, (3, recipe.layout.metadata_bytes), dtype=np.uint8)
        decoded = recipe.decode(recipe.encode(data, metadata, pages), pages)
        assert np.array_equal(decoded.data, data), seed
        assert np.array_equal(decoded.metadata, metadata), seed
        assert (decoded.errors == 0).all(), seed


@pytest.mark.parametrize("ranges", [WIDE, NOISY], ids=["wide", "noisy"])
def test_sizes_are_in_range(ranges: Ranges) -> None:
    spare_sizes, block_sizes = set(), set()
    for seed in range(150):
        recipe = draw_recipe(seed, ranges)
        data = recipe.layout.data_bytes
        spare = recipe.layout.page_bytes - data
        assert ranges.page_data[0] <= data <= ranges.page_data[1]
        assert 16 <= spare <= 2208
        assert 32 <= recipe.pages_per_block <= 768
        assert recipe.code is not None
        if recipe.code.family == "bch":
            assert 13 <= recipe.code.m <= 15
            assert 4 <= recipe.code.t <= 72
        if recipe.code.family != "hamming":
            assert gf2poly.is_primitive(recipe.code.primitive_polynomial)
        spare_sizes.add(spare)
        block_sizes.add(recipe.pages_per_block)
        if recipe.scrambler is not None:
            keystreams = recipe.scrambler.keystreams
            if isinstance(keystreams, LfsrKeystreams):
                assert 8 <= keystreams.polynomial.bit_length() - 1 <= 64
                assert all(keystreams.seeds)
            else:
                assert isinstance(keystreams, StoredKeystreams)
                assert 2 <= keystreams.count <= 512
    assert len(spare_sizes) > 60
    assert any(size & (size - 1) for size in block_sizes)


@pytest.mark.parametrize("ranges", [WIDE, NOISY], ids=["wide", "noisy"])
def test_every_code_bears_the_noise_of_its_preset(ranges: Ranges) -> None:
    for seed in range(60):
        recipe = draw_recipe(seed, ranges)
        assert recipe.code is not None
        for codeword in recipe.layout.codewords:
            rate = rate_of(recipe.code, codeword.message_bits // 8, ranges)
            bits = codeword.message_bits + recipe.code.parity_bits
            # A symbol of m bits is wrong m times as often as a bit, or less.
            width = recipe.code.m if recipe.code.family == "reed_solomon" else 1
            assert failure_probability(-(-bits // width), recipe.code.t, 1 - (1 - rate) ** width) < 1.01e-6


def test_the_weakest_code_is_the_weakest() -> None:
    t = weakest(8192, 14, 1e-3, 1e-6)
    assert failure_probability(8192 + 14 * t, t, 1e-3) <= 1e-6
    assert failure_probability(8192 + 14 * (t - 1), t - 1, 1e-3) > 1e-6


def test_noisy_codes_are_of_the_class_of_forty_errors_per_kib() -> None:
    strengths = defaultdict(set)
    for seed in range(60):
        recipe = draw_recipe(seed, NOISY)
        assert recipe.code is not None
        data = sum(span.bits for span in recipe.layout.codewords[0].message if span.part is Part.DATA)
        strengths[data // 8].add(recipe.code.t)
    assert min(strengths[1024]) >= 36
    assert max(strengths[1024]) <= 60
    assert max(strengths[512]) <= 30


def test_equal_seeds_give_equal_dumps() -> None:
    first, second, third = (draw_case(seed, SMALL_DUMPS) for seed in (3, 3, 4))
    assert first.recipe == second.recipe
    assert first.options == second.options
    assert np.array_equal(first.dump, second.dump)
    assert first.recipe != third.recipe


def test_impossible_ranges_are_refused() -> None:
    with pytest.raises(ValueError, match="no controller fits"):
        draw_recipe(1, replace(WIDE, raw_bit_error_rate=0.02))


def test_the_marker_column_is_free_of_data() -> None:
    met = set()
    for seed in range(120):
        drawn = draw_controller(seed, WIDE)
        form = drawn.options["marker column"]
        if form == "none":
            continue
        met.add(form)
        bit = 8 * drawn.recipe.layout.data_bytes
        owners = [span.part for span in drawn.recipe.layout.spans if span.start <= bit < span.end]
        assert owners == ([Part.METADATA] if form == "swapped" else [])
    assert met == {"swapped", "moved", "skipped"}


# Dumps --------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def cases() -> list[DrawnCase]:
    return [draw_case(seed, SMALL_DUMPS) for seed in range(24)]


def written(case: DrawnCase) -> np.ndarray:
    size = case.recipe.layout.page_bytes
    return ~erased_pages(case.dump[: len(case.dump) // size * size].reshape(-1, size))


def test_dumps_have_the_size_that_was_asked_for(cases: list[DrawnCase]) -> None:
    for case in cases:
        block = case.recipe.pages_per_block * case.recipe.layout.page_bytes
        assert 0.8 * (2 << 20) - 2 * block <= len(case.dump) <= max(4 << 20, 14 * block)


def test_dumps_without_an_erased_block_have_none(cases: list[DrawnCase]) -> None:
    met = set()
    for case in cases:
        size = case.recipe.pages_per_block
        pages = written(case)
        blocks = pages[: len(pages) // size * size].reshape(-1, size).any(axis=1)
        met.add(case.options["erased blocks"])
        if case.options["erased blocks"] == "none":
            assert blocks.all()
    assert met == {"none", "some"}


def test_some_dumps_end_inside_a_page_or_a_block(cases: list[DrawnCase]) -> None:
    met = set()
    for case in cases:
        whole = case.plan.blocks * case.recipe.pages_per_block * case.recipe.layout.page_bytes
        met.add(case.options["end"])
        assert (len(case.dump) < whole) == (case.options["end"] != "whole")
    assert met >= {"whole", "cut inside a page"}


def test_the_true_recipe_gives_the_disk(cases: list[DrawnCase], tmp_path: Path) -> None:
    kinds = set()
    for number, case in enumerate(cases[:10]):
        path = tmp_path / f"{number}.bin"
        case.dump.tofile(path)
        disk = case.history.disk if case.plan.cut == 1.0 else None
        result = judge(Dump.open(path), case.recipe, case.recipe, disk)
        assert result.verdict == "right"
        assert result.sectors > 1000
        kinds.add(case.options["mapping"])
    assert len(kinds) > 1


def test_packed_volumes_have_few_constant_sectors() -> None:
    shares = {}
    for fill in ("half full", "packed"):
        disk = drawn_history(5, 8 << 20, fill).disk.reshape(-1, 512)
        shares[fill] = float((disk == disk[:, :1]).all(axis=1).mean())
    assert shares["packed"] < 0.03
    assert shares["half full"] > 0.3


def test_codes_that_fail_too_often_are_not_drawn() -> None:
    """At 2e-4 a code of t = 4 over 512 bytes loses a word in some hundreds: too many for the preset."""
    assert failure_probability(8 * 512 + 13 * 4, 4, 2e-4) > 1e-6
    for seed in range(80):
        code = draw_recipe(seed, replace(WIDE, page_data=(512, 512), other_share=0.0)).code
        assert code is not None
        assert code.t > 4
