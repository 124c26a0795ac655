"""How many codewords make a page, where keystreams run over data and metadata and no register shows."""

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.whole_page.equal_words import by_equal_words
from deadstick.solve.whole_page.multiple import repeated
from deadstick.solve.whole_page.whole_page import whole_page

CODE = Code(13, 0x201B, 8)
DATA, METADATA, WORD = 512, 8, 512 + 8 + 13
WORDS, PER_BLOCK, BLOCKS, COUNT = 4, 32, 8, 6
FIELD = slice(2, 4)


def unit(*, metadata_first: bool = False) -> PageLayout:
    """One codeword that fills its part of the page."""
    parts = [(Part.METADATA, METADATA), (Part.DATA, DATA)]
    (first, bytes_of), (second, others) = parts if metadata_first else parts[::-1]
    message = (Span.of_bytes(first, 0, bytes_of), Span.of_bytes(second, bytes_of, others))
    parity = Span.of_bytes(Part.PARITY, DATA + METADATA, CODE.parity_bytes)
    return PageLayout(WORD, (Codeword(message, (parity,)),))


def stored(page: PageLayout, metadata: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Half free pages, each under the keystream of its place in the block; as read, with bit errors."""
    rng = np.random.default_rng(5)
    count = PER_BLOCK * BLOCKS
    covers = frozenset({Part.DATA, Part.METADATA})
    keystreams = StoredKeystreams(tuple(rng.bytes(page.page_bytes) for _ in range(COUNT)))
    data = rng.integers(0, 256, (count, page.data_bytes), np.uint8)
    data[rng.random(count) < 0.5] = 0
    recipe = Recipe(PER_BLOCK, page, CODE, Scrambler("before_ecc", "page", keystreams, covers, 1, 0))
    pages = recipe.encode(data, metadata, np.arange(count))
    flips = rng.random((count, 8 * page.page_bytes), np.float32) < 1e-4
    return (pages ^ np.packbits(flips, axis=1)).reshape(-1)


def numbered(words: int, *, marked: slice) -> NDArray[np.uint8]:
    """Metadata of pages: the number of the block in some of the codewords, filler in all others."""
    metadata = np.full((PER_BLOCK * BLOCKS, words, METADATA), 0xFF, np.uint8)
    metadata[:, marked, FIELD] = (np.arange(PER_BLOCK * BLOCKS) // PER_BLOCK)[:, None, None]
    return metadata.reshape(len(metadata), -1)


@pytest.mark.parametrize("metadata_first", [False, True])
def test_words_that_are_equal_tell_the_page(*, metadata_first: bool) -> None:
    """With six keystreams equal words lie multiples of two pages apart: metadata tell that one of those is a page."""
    page = repeated(unit(metadata_first=metadata_first), WORDS)
    dump = stored(page, numbered(WORDS, marked=slice(0, 1)))
    found = CodeSearch(dump, (PageCandidate(WORD, (), 100.0, "a comb"),)).first()
    assert found is not None
    assert found.layout.page_bytes == WORD
    whole = whole_page(found, ())
    assert whole.layout.page_bytes == page.page_bytes
    assert len(whole.layout.codewords) == WORDS


def test_numbers_that_go_on_in_the_second_codeword_tell_the_page_all_the_same() -> None:
    page = repeated(unit(), WORDS)
    dump = stored(page, numbered(WORDS, marked=slice(0, 2)))
    found = by_equal_words(dump.reshape(-1, WORD), Recipe(1, unit(), CODE))
    assert found is not None
    assert found.times == WORDS


def test_codewords_that_are_pages_of_their_own_stay_so() -> None:
    dump = stored(unit(), numbered(1, marked=slice(0, 1)))
    assert by_equal_words(dump.reshape(-1, WORD), Recipe(1, unit(), CODE)) is None


def test_metadata_that_are_all_the_same_do_not_tell_the_page() -> None:
    dump = stored(repeated(unit(), WORDS), numbered(WORDS, marked=slice(0)))
    assert by_equal_words(dump.reshape(-1, WORD), Recipe(1, unit(), CODE)) is None
