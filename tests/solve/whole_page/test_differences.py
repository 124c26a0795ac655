"""How many codewords make a page, from differences of pages under one stored keystream after the code."""

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.other_codes.hamming import find_hamming
from deadstick.solve.page.find_code import CodeSearch
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.whole_page.differences import by_differences, smallest_part
from deadstick.solve.whole_page.multiple import repeated
from deadstick.solve.whole_page.whole_page import whole_other_page, whole_page

BCH, HAMMING = Code(13, 0x201B, 8), Code.hamming(512, erased_is_codeword=True)
DATA, METADATA, UNUSED = 512, 8, 5
PER_BLOCK, COUNT = 32, 8


def unit(code: Code) -> PageLayout:
    """One codeword, with covered metadata that fill the page, or with uncovered ones and a rest."""
    data, metadata = Span.of_bytes(Part.DATA, 0, DATA), Span.of_bytes(Part.METADATA, DATA, METADATA)
    parity = Span.of_bytes(Part.PARITY, DATA + METADATA, code.parity_bytes)
    size = DATA + METADATA + code.parity_bytes
    if code.family == "bch":
        return PageLayout(size, (Codeword((data, metadata), (parity,)),))
    return PageLayout(size + UNUSED, (Codeword((data,), (parity,)),), (metadata,))


def stored(
    page: PageLayout, code: Code, marked: tuple[slice, ...], *, fill: str = "number", blocks: int = 12
) -> NDArray[np.uint8]:
    """Half-free pages, with the number of the block in the metadata of some codewords; as read, with bit errors."""
    rng = np.random.default_rng(5)
    count, words = PER_BLOCK * blocks, len(page.codewords)
    metadata = np.full((count, words, METADATA), 0xFF, np.uint8)
    for which in marked:
        metadata[:, which, 2:4] = (np.arange(count) // PER_BLOCK)[:, None, None]
    if fill == "checksums":
        metadata[:, :, 6:8] = rng.integers(0, 256, (count, words, 2))
    data = rng.integers(0, 256, (count, page.data_bytes), np.uint8)
    data[rng.random(count) < 0.5] = 0
    keystreams = StoredKeystreams(tuple(rng.bytes(page.page_bytes) for _ in range(COUNT)))
    scrambler = Scrambler("after_ecc", "column", keystreams, frozenset(Part), 1, 0)
    pages = Recipe(PER_BLOCK, page, code, scrambler).encode(data, metadata.reshape(count, -1), np.arange(count))
    flips = rng.random((count, 8 * page.page_bytes), np.float32) < 1e-5
    return (pages ^ np.packbits(flips, axis=1)).reshape(-1)


@pytest.mark.parametrize("words", [2, 4])
def test_metadata_in_the_first_codeword_alone_tell_the_page(words: int) -> None:
    page = repeated(unit(BCH), words)
    dump = stored(page, BCH, (slice(0, 1),))
    size = unit(BCH).page_bytes
    found = CodeSearch(dump, (PageCandidate(size, (words * COUNT,), 100.0, "a lag"),)).first()
    assert found is not None
    assert found.lag
    assert found.layout.page_bytes == size
    whole = whole_page(found, ())
    assert (whole.layout.page_bytes, whole.lag) == (page.page_bytes, COUNT)


@pytest.mark.parametrize("parts", [2, 4])
def test_pages_that_were_taken_for_one_are_parted(parts: int) -> None:
    """Parity behind each part of the data: nothing but the metadata tells that each is a page."""
    dump = stored(unit(HAMMING), HAMMING, (slice(0, 1),), blocks=40)
    large = PageCandidate(parts * unit(HAMMING).page_bytes, (COUNT // parts,), 100.0, "a lag")
    found = find_hamming(Survey(dump, large.page_bytes), large, COUNT // parts)
    assert found is not None
    assert len(found.layout.codewords) == parts
    whole = whole_other_page(found)
    assert (whole.layout.page_bytes, whole.lag) == (unit(HAMMING).page_bytes, COUNT)
    assert whole.survey.page_bytes == whole.candidate.page_bytes == whole.layout.page_bytes


def told(page: PageLayout, dump: NDArray[np.uint8], parts: int) -> int | None:
    """How many codewords make a page, where so many were taken for one."""
    part = smallest_part(page)
    lag = COUNT * page.page_bytes // part.page_bytes
    found = by_differences(Survey(dump, part.page_bytes), part, BCH, lag, parts)
    return None if found is None else found.times


def test_a_page_of_codewords_with_their_own_metadata_stays_one() -> None:
    """Checksums of the data differ in every codeword, and the number of the block in the first one alone."""
    page = repeated(unit(BCH), 4)
    assert told(page, stored(page, BCH, (slice(0, 1),), fill="checksums"), 4) is None
    assert told(page, stored(page, BCH, (slice(0, 1),)), 4) == 4


def test_metadata_that_are_all_the_same_do_not_tell() -> None:
    page = repeated(unit(BCH), 4)
    assert told(page, stored(page, BCH, ()), 4) is None
    assert told(page, stored(page, BCH, ()), 1) is None


def test_the_smallest_part_of_a_page() -> None:
    one = unit(HAMMING)
    assert smallest_part(repeated(one, 8)).page_bytes == one.page_bytes
    assert smallest_part(one) == one
    behind = Codeword((Span.of_bytes(Part.DATA, 0, 512),), (Span.of_bytes(Part.PARITY, 1030, 3),))
    other = Codeword((Span.of_bytes(Part.DATA, 512, 512),), (Span.of_bytes(Part.PARITY, 1040, 3),))
    page = PageLayout(1056, (behind, other))
    assert smallest_part(page) == page
