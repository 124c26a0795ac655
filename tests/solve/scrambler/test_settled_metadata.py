"""Where metadata and the marker's byte lie, which a cyclic code over all of them does not tell."""

from dataclasses import replace

import numpy as np
import pytest

from deadstick.codes.bch import BchCode
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, with_marker
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Restart, Scrambler
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.page.marker import with_moved_marker
from deadstick.solve.register.register import Register
from deadstick.solve.scrambler.coded_pages import Reread
from deadstick.solve.scrambler.find_scrambler import find_scrambler
from deadstick.solve.scrambler.metadata_order import clearness, settled, with_clearest_cover, with_right_cover

CODE = Code(13, 0x201B, 4, 1, "lsb")
PARITY = -(-BchCode(13, 0x201B, 4).parity_bits // 8)
DATA, METADATA, PAGE, PAGES = 512, 6, 528, 512


def layout(*, metadata_first: bool) -> PageLayout:
    parts = [Span.of_bytes(Part.METADATA, 0, METADATA), Span.of_bytes(Part.DATA, METADATA, DATA)]
    if not metadata_first:
        parts = [Span.of_bytes(Part.DATA, 0, DATA), Span.of_bytes(Part.METADATA, DATA, METADATA)]
    return PageLayout(PAGE, (Codeword(tuple(parts), (Span.of_bytes(Part.PARITY, DATA + METADATA, PARITY),)),))


def stored(recipe: Recipe, *, blank: float = 0.0) -> np.ndarray:
    """`uint8[PAGES, PAGE]`: text, photographs, free space; the first metadata byte is that of a block of 64 pages."""
    rng = np.random.default_rng(5)
    data = rng.integers(0, 256, (PAGES, DATA), dtype=np.uint8)
    data[::3] = rng.integers(32, 127, data[::3].shape, dtype=np.uint8)
    data[rng.random(PAGES) < blank] = 0
    metadata = np.full((PAGES, METADATA), 0xFF, np.uint8)
    metadata[:, 0] = np.arange(PAGES) // 64
    return recipe.encode(data, metadata, np.arange(PAGES))


@pytest.mark.parametrize("truth", [True, False])
@pytest.mark.parametrize("guess", [True, False])
def test_data_and_metadata_are_told_by_the_pages(*, truth: bool, guess: bool) -> None:
    pages = stored(Recipe(64, layout(metadata_first=truth), CODE), blank=0.4)
    found = settled(Recipe(64, layout(metadata_first=guess), CODE), pages, np.arange(PAGES))
    assert found.layout == layout(metadata_first=truth)


@pytest.mark.parametrize("is_changed", [True, False])
def test_the_byte_of_the_marker_is_told_by_the_block_it_stays_the_same_in(*, is_changed: bool) -> None:
    """Column 512 lies in the data of a page with its metadata first."""
    plain = layout(metadata_first=True)
    true = with_marker(plain, DATA) if is_changed else plain
    found = settled(Recipe(64, plain, CODE), stored(Recipe(64, true, CODE)), np.arange(PAGES))
    assert found.layout == true


@pytest.mark.parametrize("is_changed", [True, False])
def test_the_byte_of_the_marker_is_told_where_most_pages_end_blank(*, is_changed: bool) -> None:
    """Then it is the same in most pages, as a marker is, and tells by what changes between neighbours."""
    plain = layout(metadata_first=True)
    true = Recipe(64, with_marker(plain, DATA) if is_changed else plain, CODE)
    pages = stored(true)
    batch = true.decode(pages, np.arange(PAGES))
    data = batch.data.copy()
    data[np.random.default_rng(8).random(PAGES) < 0.7, 300:] = 0
    pages = true.encode(data, batch.metadata, np.arange(PAGES))
    assert settled(Recipe(64, plain, CODE), pages, np.arange(PAGES)).layout == true.layout


@pytest.mark.parametrize("is_changed", [True, False])
def test_the_byte_of_the_marker_is_told_under_a_register_before_the_code(*, is_changed: bool) -> None:
    """It is the lowest byte of a version, another in every block of sixteen pages, and no clearer than data."""
    plain = layout(metadata_first=True)
    seeds = np.random.default_rng(6).integers(1, 1 << 20, 16)
    scrambler = Scrambler("before_ecc", "page", LfsrKeystreams(0x1F9903, tuple(seeds.tolist())))
    rng = np.random.default_rng(9)
    data = rng.integers(0, 256, (PAGES, DATA), dtype=np.uint8)
    data[rng.random(PAGES) < 0.3] = 0
    metadata = np.full((PAGES, METADATA), 0xFF, np.uint8)
    metadata[:, 0] = rng.permutation(PAGES // 16).repeat(16)
    true = Recipe(16, with_marker(plain, DATA) if is_changed else plain, CODE, scrambler)
    pages = true.encode(data, metadata, np.arange(PAGES))
    found = find_scrambler(Reread(Survey(pages.reshape(-1), PAGE), plain, CODE, 0), ())
    assert found is not None
    assert found.recipe.layout == true.layout


@pytest.mark.parametrize("step", [1, 3])
def test_a_count_of_the_pages_is_no_data(step: int) -> None:
    """Where the marker's column is blank and the first metadata byte counts, nothing was changed."""
    guess = Recipe(64, layout(metadata_first=True), CODE)
    data = np.random.default_rng(5).integers(0, 256, (PAGES, DATA), dtype=np.uint8)
    data[:, 300:] = 0
    metadata = np.full((PAGES, METADATA), 0xFF, np.uint8)
    metadata[:, 0] = step * np.arange(PAGES)
    assert settled(guess, guess.encode(data, metadata, np.arange(PAGES)), np.arange(PAGES)) == guess


def test_free_space_alone_settles_nothing() -> None:
    guess = Recipe(64, layout(metadata_first=False), CODE)
    pages = stored(Recipe(64, layout(metadata_first=True), CODE), blank=1.0)
    assert settled(guess, pages, np.arange(PAGES)) == guess


def test_the_search_for_the_scrambler_settles_them() -> None:
    true = layout(metadata_first=True)
    pages = stored(Recipe(64, true, CODE), blank=0.4)
    found = find_scrambler(Reread(Survey(pages.reshape(-1), PAGE), layout(metadata_first=False), CODE, 0), ())
    assert found is not None
    assert found.recipe.layout == true


@pytest.mark.parametrize("covered", [True, False])
def test_metadata_outside_the_code_tell_whether_the_keystream_covers_them(*, covered: bool) -> None:
    words = (Codeword((Span.of_bytes(Part.DATA, 0, DATA),), (Span.of_bytes(Part.PARITY, DATA + METADATA, PARITY),)),)
    loose = PageLayout(PAGE, words, (Span.of_bytes(Part.METADATA, DATA, METADATA),))
    keystreams = LfsrKeystreams(0x1F9903, tuple(range(1, 33)))

    def recipe(*, metadata: bool) -> Recipe:
        covers = frozenset(Part) if metadata else frozenset({Part.DATA, Part.PARITY})
        return Recipe(64, loose, CODE, Scrambler("after_ecc", "column", keystreams, covers))

    pages = stored(recipe(metadata=covered))
    for guess in (True, False):
        found = with_clearest_cover(recipe(metadata=guess), pages, np.arange(PAGES))
        assert found == recipe(metadata=covered)


@pytest.mark.parametrize("covered", [True, False])
def test_a_strong_code_does_not_hide_that_a_keystream_leaves_out_the_metadata(*, covered: bool) -> None:
    """Six bytes under a keystream too many are 24 errors, which it corrects; it was asked with the parts turned."""
    strong = Code(13, 0x201B, 40, 1, "lsb")
    parity = BchCode(13, 0x201B, 40).parity_bytes
    end = DATA + METADATA

    def of(*, metadata_first: bool) -> PageLayout:
        message = layout(metadata_first=metadata_first).codewords[0].message
        return PageLayout(end + parity, (Codeword(message, (Span.of_bytes(Part.PARITY, end, parity),)),))

    covers = frozenset(Part) if covered else frozenset({Part.DATA, Part.PARITY})
    seeds = np.random.default_rng(6).integers(1, 1 << 20, 32)
    scrambler = Scrambler("after_ecc", "column", LfsrKeystreams(0x1F9903, tuple(seeds.tolist())), covers)
    true = Recipe(64, of(metadata_first=True), strong, scrambler)
    pages = stored(true, blank=0.4)
    other = replace(true, scrambler=replace(scrambler, covers=covers ^ {Part.METADATA}))
    assert with_right_cover(other, pages, np.arange(PAGES)) == with_right_cover(true, pages, np.arange(PAGES)) == true

    survey = Survey(pages.reshape(-1), end + parity)
    register = Register(0x1F9903, "lsb", 100, 100)
    found = find_scrambler(Reread(survey, of(metadata_first=False), strong, 32), (register,))
    assert found is not None
    assert found.recipe.layout == true.layout
    assert (found.recipe.decode(pages, np.arange(PAGES)).errors == 0).all()


def test_of_two_orders_under_a_keystream_beside_the_metadata_the_one_with_fewer_errors_is_right() -> None:
    """The second codeword has filler that is zero, so it was found without; three bytes of the first are 12 errors."""
    strong, size = Code(13, 0x201B, 40, 1, "lsb"), 3
    parity = BchCode(13, 0x201B, 40).parity_bytes
    pitch = size + DATA + parity

    def word(start: int, *message: Span) -> Codeword:
        return Codeword(message, (Span.of_bytes(Part.PARITY, start + size + DATA, parity),))

    def metadata_first(start: int) -> tuple[Span, Span]:
        return Span.of_bytes(Part.METADATA, start, size), Span.of_bytes(Part.DATA, start + size, DATA)

    filler, second = metadata_first(pitch)
    data_first = Span.of_bytes(Part.DATA, 0, DATA), Span.of_bytes(Part.METADATA, DATA, size)
    seen = PageLayout(2 * pitch, (word(0, *data_first), word(pitch, second)), (filler,))
    words = word(0, *metadata_first(0)), word(pitch, *metadata_first(pitch))

    rng = np.random.default_rng(6)
    keystreams = LfsrKeystreams(0x1F9903, tuple(rng.integers(1, 1 << 20, 32).tolist()))
    scrambler = Scrambler("after_ecc", "column", keystreams, frozenset({Part.DATA, Part.PARITY}))
    true = Recipe(64, PageLayout(2 * pitch, words), strong, scrambler)
    data = rng.integers(0, 256, (PAGES, 2 * DATA), dtype=np.uint8)
    data[rng.random(PAGES) < 0.4] = 0
    metadata = np.zeros((PAGES, 2 * size), np.uint8)
    metadata[:, :size] = rng.integers(0, 256, (PAGES // 16, size), dtype=np.uint8).repeat(16, axis=0)
    pages = true.encode(data, metadata, np.arange(PAGES))

    register = Register(0x1F9903, "lsb", 100, 100)
    found = find_scrambler(Reread(Survey(pages.reshape(-1), 2 * pitch), seen, strong, 32), (register,))
    assert found is not None
    batch = found.recipe.decode(pages, np.arange(PAGES))
    assert (batch.errors == 0).all()
    assert np.array_equal(batch.data, data)
    assert np.array_equal(batch.metadata, metadata)


@pytest.mark.parametrize("restart", ["column", "page"])
def test_the_byte_of_the_marker_is_found_elsewhere_under_its_own_keystream(restart: Restart) -> None:
    """By its place in the codeword, the byte in column 540 has the keystream of column 512."""
    words = layout(metadata_first=True).codewords[0]
    whole = PageLayout(544, (words,))
    (metadata, data), to = words.message, 540
    pieces = (
        metadata,
        Span(Part.DATA, data.start, 8 * DATA - data.start),
        Span.of_bytes(Part.DATA, to, 1),
        Span(Part.DATA, 8 * DATA + 8, data.end - 8 * DATA - 8),
    )
    true = PageLayout(544, (Codeword(pieces, words.parity),))
    keystreams = LfsrKeystreams(0x1F9903, tuple(range(1, 33)))
    strong = Code(13, 0x201B, 8, 1, "lsb")
    true = replace(true, codewords=(Codeword(pieces, (replace(words.parity[0], bits=8 * 13),)),))
    whole = replace(whole, codewords=(Codeword(words.message, (replace(words.parity[0], bits=8 * 13),)),))
    stored_recipe = Recipe(64, true, strong, Scrambler("after_ecc", restart, keystreams))
    pages = stored(stored_recipe)
    pages[:, DATA] = 0xFF
    guess = Recipe(64, whole, strong, Scrambler("after_ecc", "column", keystreams))
    found = with_moved_marker(guess, pages[:32], np.arange(32))
    assert found.layout == true
    assert found.scrambler is not None
    assert found.scrambler.restart == restart
    assert with_moved_marker(found, pages[:32], np.arange(32)) is found


def test_a_marker_that_was_changed_with_the_first_metadata_byte_lies_nowhere_else() -> None:
    """Half of its bits are corrected where a keystream over the metadata is one too many; taken from elsewhere, there
    was no first metadata byte any more, and the search crashed."""
    strong = Code(13, 0x201B, 40, 1, "lsb")
    (word,) = layout(metadata_first=True).codewords
    parity = replace(word.parity[0], bits=strong.parity_bits)
    changed = with_marker(PageLayout(592, (replace(word, parity=(parity,)),)), DATA)
    keystreams = LfsrKeystreams(0x1F9903, tuple(range(1, 33)))
    bare = frozenset({Part.DATA, Part.PARITY})
    true = Recipe(64, changed, strong, Scrambler("after_ecc", "column", keystreams, bare))
    guess = replace(true, scrambler=Scrambler("after_ecc", "column", keystreams))
    assert with_moved_marker(guess, stored(true)[:32], np.arange(32)) is guess


def test_order_is_asked_of_pages_with_content() -> None:
    pages = stored(Recipe(64, layout(metadata_first=False), CODE), blank=0.8)
    right, wrong = (Recipe(64, layout(metadata_first=first), CODE) for first in (False, True))
    assert clearness(right, pages, np.arange(PAGES)) > clearness(wrong, pages, np.arange(PAGES)) + 0.5


def test_a_marker_in_a_page_that_is_not_byte_aligned_is_no_fault() -> None:
    """No keystream goes by page there; two codewords of 13 t parity bits follow each other to the bit."""
    code = Code(13, 0x201B, 9, 1, "lsb")
    words, start = [], 0
    for _ in range(2):
        message = Span(Part.DATA, start, 8 * DATA)
        words.append(Codeword((message,), (Span(Part.PARITY, message.end, 13 * code.t),)))
        start = message.end + 13 * code.t
    packed = PageLayout(2 * DATA + 48, tuple(words))
    assert not packed.is_byte_aligned
    keystreams = LfsrKeystreams(0x1F9903, tuple(range(1, 33)))
    recipe = Recipe(64, packed, code, Scrambler("after_ecc", "column", keystreams))
    data = np.random.default_rng(8).integers(0, 256, (40, 2 * DATA), dtype=np.uint8)
    pages = recipe.encode(data, np.zeros((40, 0), np.uint8), np.arange(40))
    pages[:, 1024] = 0xFF
    assert with_moved_marker(recipe, pages, np.arange(40)) is recipe
