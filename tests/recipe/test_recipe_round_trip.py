"""Whatever a recipe encodes it decodes, with as many errors as its code can bear, and from its file as well."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from deadstick.errors import RecipeError
from deadstick.recipe import toml
from deadstick.recipe.code import ERASED, LOST, UNCHECKED, BitOrder, Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, bit_packed, in_line, parity_gathered, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, StoredKeystreams
from deadstick.recipe.translation import BitField, Translation

# Small fields, so that hundreds of recipes can be tried: 31 to 127 bytes a codeword at most. The polynomials are
# primitive trinomials and pentanomials as in W. Stahnke, Mathematics of Computation 27 (1973), Table 1.
FIELDS = {8: 0x11D, 9: 0x211, 10: 0x409}
SETTINGS = settings(max_examples=80, deadline=None, derandomize=True, suppress_health_check=[HealthCheck.too_slow])


@st.composite
def codes(draw: st.DrawFn) -> Code:
    m = draw(st.sampled_from(sorted(FIELDS)))
    return Code(
        m,
        FIELDS[m],
        draw(st.integers(1, 5)),
        first_root=draw(st.sampled_from([1, 1, 0])),
        bit_order=draw(st.sampled_from(["msb", "lsb"])),
        inverted=draw(st.booleans()),
        erased_is_codeword=draw(st.booleans()),
    )


def moved_byte(layout: PageLayout) -> PageLayout:
    """The last data byte of codeword 0 goes to a new last column, and leaves its place to a marker."""
    first = layout.codewords[0]
    *before, last = [span for span in first.message if span.part is Part.DATA]
    rest = [span for span in first.message if span.part is not Part.DATA]
    pieces = [Span(Part.DATA, last.start, last.bits - 8), Span.of_bytes(Part.DATA, layout.page_bytes, 1)]
    message = (*before, *(piece for piece in pieces if piece.bits), *rest)
    codewords = (Codeword(message, first.parity), *layout.codewords[1:])
    return PageLayout(layout.page_bytes + 1, codewords, layout.loose)


def first_only(layout: PageLayout, metadata: int) -> PageLayout:
    """Metadata in new last columns, covered by codeword 0 alone."""
    if metadata == 0:
        return layout
    first = layout.codewords[0]
    message = (*first.message, Span.of_bytes(Part.METADATA, layout.page_bytes, metadata))
    codewords = (Codeword(message, first.parity), *layout.codewords[1:])
    return PageLayout(layout.page_bytes + metadata, codewords)


@st.composite
def layouts(draw: st.DrawFn, parity_bits: int) -> PageLayout:
    count, data, metadata = draw(st.integers(1, 3)), draw(st.integers(4, 14)), draw(st.integers(0, 3))
    parity, unused = -(-parity_bits // 8), draw(st.integers(0, 4))
    page = count * (data + metadata + parity) + unused
    # In the last codeword, the second byte column of the data, which is not byte-aligned where parity is not.
    start = 8 * (metadata + 1 + (count - 1) * data) + (count - 1) * parity_bits
    in_turn = in_line(page, count, data, metadata, parity, metadata_first=draw(st.booleans()))
    kinds = {
        "in line": lambda: in_turn,
        "groups": lambda: spare_groups(page, count, data, metadata, parity, offset=unused),
        "loose": lambda: spare_groups(page, count, data, metadata, parity, offset=unused, covered=False),
        "gathered": lambda: parity_gathered(page, count, data, metadata, parity),
        "packed": lambda: bit_packed(page + metadata + 1, metadata, count, data, parity_bits),
        "marker": lambda: bit_packed(
            page + metadata + 2, metadata + 1, count, data, parity_bits, marker=start // 8 + 1
        ),
        "moved": lambda: moved_byte(in_turn),
        "first": lambda: first_only(in_line(page, count, data, 0, parity), metadata),
    }
    return kinds[draw(st.sampled_from(sorted(kinds)))]()


@st.composite
def scramblers(draw: st.DrawFn, layout: PageLayout) -> Scrambler:
    count = draw(st.integers(1, 4))
    rule: LfsrKeystreams | StoredKeystreams
    if draw(st.booleans()):
        seeds = tuple(draw(st.lists(st.integers(1, 2**15 - 1), min_size=count, max_size=count)))
        order: BitOrder = draw(st.sampled_from(["msb", "lsb"]))
        rule = LfsrKeystreams(0x8003, seeds, order, draw(st.booleans()))
    else:
        noise = np.random.default_rng(draw(st.integers(0, 99)))
        rule = StoredKeystreams(tuple(noise.bytes(layout.page_bytes) for _ in range(count)))
    restarts = ["codeword", "page", "column"] if layout.is_byte_aligned else ["column"]
    return Scrambler(
        draw(st.sampled_from(["after_ecc", "before_ecc"])),
        draw(st.sampled_from(restarts)),
        rule,
        draw(st.sampled_from([frozenset(Part), frozenset({Part.DATA}), frozenset({Part.DATA, Part.METADATA})])),
        page_step=draw(st.integers(1, 3)),
        block_step=draw(st.integers(0, 3)),
    )


@st.composite
def recipes(draw: st.DrawFn) -> Recipe:
    code = draw(st.one_of(st.none(), codes(), codes(), codes()))
    layout = draw(layouts(code.parity_bits if code else 24))
    scrambler = draw(st.one_of(st.none(), scramblers(layout)))
    field = BitField(0, 1, mask=0x7F) if layout.metadata_bytes else None
    translation = Translation("block", field, field) if field and draw(st.booleans()) else Translation()
    return Recipe(draw(st.integers(2, 5)), layout, code, scrambler, translation)


def content(recipe: Recipe, count: int, seed: int) -> tuple[np.ndarray[Any, Any], np.ndarray[Any, Any]]:
    noise = np.random.default_rng(seed)
    data = noise.integers(0, 256, (count, recipe.layout.data_bytes), dtype=np.uint8)
    return data, noise.integers(0, 256, (count, recipe.layout.metadata_bytes), dtype=np.uint8)


def flip(raw: np.ndarray[Any, Any], page: int, bit: int, code: Code) -> None:
    """Flip a bit of the page's bit stream, which counts from the low end of a byte where the code does."""
    raw[page, bit // 8] ^= 1 << (bit % 8 if code.bit_order == "lsb" else 7 - bit % 8)


@SETTINGS
@given(recipes(), st.integers(0, 2**32 - 1))
def test_decode_undoes_encode(recipe: Recipe, seed: int) -> None:
    data, metadata = content(recipe, 7, seed)
    pages = np.arange(3, 10, dtype=np.int64)
    raw = recipe.encode(data, metadata, pages)
    decoded = recipe.decode(raw, pages)
    assert np.array_equal(decoded.data, data)
    assert np.array_equal(decoded.metadata, metadata)
    assert (decoded.errors == (0 if recipe.code else UNCHECKED)).all()
    assert not decoded.erased.any()


@SETTINGS
@given(recipes().filter(lambda recipe: recipe.code is not None), st.integers(0, 2**32 - 1))
def test_every_codeword_bears_t_errors(recipe: Recipe, seed: int) -> None:
    assert recipe.code is not None
    noise = np.random.default_rng(seed)
    data, metadata = content(recipe, 5, seed)
    pages = np.arange(5, dtype=np.int64)
    raw = recipe.encode(data, metadata, pages)
    expected = noise.integers(0, recipe.code.t + 1, (5, len(recipe.layout.codewords)))
    for page in range(5):
        for number, codeword in enumerate(recipe.layout.codewords):
            places = [span.start + bit for span in codeword.message for bit in range(span.bits)]
            stored = [span.start + bit for span in codeword.parity for bit in range(span.bits)]
            places += stored[: recipe.code.parity_bits]
            for bit in noise.choice(places, expected[page, number], replace=False):
                flip(raw, page, int(bit), recipe.code)
    decoded = recipe.decode(raw, pages)
    assert np.array_equal(decoded.errors, expected)
    assert np.array_equal(decoded.data, data)
    loose = sum(span.bits for span in recipe.layout.loose)
    assert loose or np.array_equal(decoded.metadata, metadata)


@SETTINGS
@given(recipes(), st.integers(0, 2**32 - 1))
def test_a_saved_recipe_is_the_same(tmp_path_factory: pytest.TempPathFactory, recipe: Recipe, seed: int) -> None:
    path = tmp_path_factory.mktemp("recipe") / "recipe.toml"
    toml.save(recipe, path)
    loaded = toml.load(path)
    assert loaded == recipe
    data, metadata = content(recipe, 3, seed)
    pages = np.arange(3, dtype=np.int64)
    assert np.array_equal(loaded.encode(data, metadata, pages), recipe.encode(data, metadata, pages))


SOLID = Recipe(4, in_line(120, 2, 40, 3, 10), Code(10, FIELDS[10], 8, bit_order="lsb"))


def test_erased_pages_are_told_apart_and_not_decoded() -> None:
    data, metadata = content(SOLID, 4, 1)
    raw = SOLID.encode(data, metadata, np.arange(4))
    raw[[0, 2]] = 0xFF
    decoded = SOLID.decode(raw, np.arange(4))
    assert decoded.erased.tolist() == [True, False, True, False]
    assert (decoded.errors[[0, 2]] == ERASED).all()
    assert (decoded.data[[0, 2]] == 0xFF).all()
    assert np.array_equal(decoded.data[[1, 3]], data[[1, 3]])
    assert np.array_equal(decoded.metadata[[1, 3]], metadata[[1, 3]])


def test_a_lost_codeword_is_as_it_was_read() -> None:
    data, metadata = content(SOLID, 1, 2)
    raw = SOLID.encode(data, metadata, np.arange(1))
    raw[0, :20] ^= 0x81
    decoded = SOLID.decode(raw, np.arange(1))
    assert decoded.errors.tolist() == [[LOST, 0]]
    assert np.array_equal(decoded.data[0, :20], data[0, :20] ^ 0x81)
    assert np.array_equal(decoded.data[0, 20:], data[0, 20:])


@pytest.mark.parametrize("order", ["msb", "lsb"])
def test_one_stored_bit_is_where_the_layout_says(order: Any) -> None:
    """A layout by hand: metadata nibble at bit 4, data byte at bit 11, in both bit orders."""
    spans = (Span(Part.METADATA, 4, 4), Span(Part.DATA, 11, 8), Span(Part.METADATA, 30, 4))
    code = Code(8, FIELDS[8], 1, bit_order=order)
    recipe = Recipe(1, PageLayout(6, (Codeword(spans, (Span(Part.PARITY, 36, 8),)),)), code)
    data, metadata = np.array([[0x80]], np.uint8), np.array([[0]], np.uint8)
    raw = recipe.encode(data, metadata, np.zeros(1, np.int64), filler=0)
    stream = np.unpackbits(raw, axis=1, bitorder="little" if order == "lsb" else "big")[0]
    assert np.flatnonzero(stream[:36]).tolist() == [18 if order == "lsb" else 11]


@pytest.mark.parametrize(
    ("spans", "hint"),
    [
        ((Span(Part.DATA, 0, 8, 8), Span(Part.DATA, 8, 8, 0), Span(Part.DATA, 16, 8, 8)), "begin at bit 8"),
        ((Span(Part.DATA, 0, 8, 4), Span(Part.DATA, 8, 8)), "begin at bit 4"),
        ((Span(Part.DATA, 0, 12), Span(Part.METADATA, 12, 4)), "whole bytes"),
        ((Span(Part.DATA, 0, 16), Span(Part.METADATA, 8, 8)), "overlaps"),
        ((Span(Part.DATA, 0, 400),), "leaves the page"),
    ],
)
def test_an_impossible_layout_is_refused(spans: tuple[Span, ...], hint: str) -> None:
    with pytest.raises(RecipeError, match=hint):
        PageLayout(40, (Codeword(spans, ()),))


def test_a_broken_file_is_named(tmp_path: Path) -> None:
    path = tmp_path / "recipe.toml"
    toml.save(SOLID, path)
    text = path.read_text(encoding="utf-8")
    for before, after, hint in [
        ("page_bytes = 120", "page_bytes = 100", "leaves the page"),
        ("schema_version = 2", "schema_version = 9", "schema_version"),
        ("m = 10", 'm = "ten"', "code.m"),
        ("\nt = 8", "\nt = 8\ncolour = 3", "colour"),
    ]:
        assert before in text
        path.write_text(text.replace(before, after), encoding="utf-8")
        with pytest.raises(RecipeError, match=hint) as caught:
            toml.load(path)
        assert str(path) in str(caught.value)


def test_a_code_that_does_not_fit_is_refused() -> None:
    with pytest.raises(RecipeError, match="parity bits"):
        replace(SOLID, code=Code(10, FIELDS[10], 7))
