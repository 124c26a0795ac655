"""A page taken for several, in which the codewords of all parts but the first lie some bytes off their place.

Where codewords in line leave a few bytes at the end of the page unused, a half or a quarter of it seems to have a rest
of its own, and each such part cuts its codewords later than the one before. A cyclic code cannot tell: where the bytes
that are cut off are zeros and so are those behind the word, a word moved by whole bytes is a codeword, too. In
differences of pages metadata that never change are such zeros.

The parity tells. Its bits follow from the data and take both values, but what lies behind a word never changes. So
under the wrong page the parity seems to end in constant bytes, in each part so many as its words are off their place.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import Codeword, PageLayout
from deadstick.solve.codeword.word_fit import with_content
from deadstick.solve.codeword.words import bits_at, corrected, exact_spans
from deadstick.solve.common.spread import evenly_of
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.register.register import Register
from deadstick.solve.whole_page import multiple
from deadstick.solve.whole_page.multiple import Multiple

ROWS, FEWEST_WORDS = 48, 12
"""Rows of each part that are looked at, and different words with content that must decode: that eight bits
of parity are alike in so many is an accident of 2^-88."""


def by_parity(found: FoundPage) -> Multiple | None:
    """The page of which what was found is a part, by constant bytes at the end of the parity.

    Args:
        found: pages and code.

    Returns:
        None where the page is not a part, or nothing tells.
    """
    rest = _rest(found.layout)
    # A register tells itself where pages begin, see `running_on`.
    if not rest or isinstance(found.way, Register):
        return None
    largest = None
    for times in multiple.MULTIPLES:
        if found.lag % times or not multiple.plausible(found.layout, times):
            break
        # The parts of half a page are those of the page by turns; the least that they are off is what is constant.
        expected = [8 * rest * part for part in range(times)]
        if any(_constant_bits(found, part, times) != bits for part, bits in enumerate(expected)):
            break
        figure = f"bits at the end of the parity that never change, in {times} parts of the page: "
        largest = Multiple(times, figure + ", ".join(map(str, expected)))
    return largest


def joined(layout: PageLayout, times: int) -> PageLayout:
    """So many parts as one page: all codewords in line, and nothing told of what is left behind the last one."""
    in_line = PageLayout(len(layout.codewords) * _pitch(layout) // 8, layout.codewords)
    return PageLayout(times * layout.page_bytes, multiple.repeated(in_line, times).codewords)


def _pitch(layout: PageLayout) -> int:
    """Bits from one codeword to the next, in whole bytes."""
    words = layout.codewords
    if len(words) > 1:
        return _begin(words[1]) - _begin(words[0])
    return -(-max(span.end for span in words[0].spans) // 8) * 8


def _begin(codeword: Codeword) -> int:
    return min(span.start for span in codeword.spans)


def _rest(layout: PageLayout) -> int:
    """Unused bytes behind codewords that follow each other from the first column on; 0 where they do not."""
    pitch, count = _pitch(layout), len(layout.codewords)
    sizes = {sum(span.bits for span in codeword.spans) for codeword in layout.codewords}
    extents = {max(span.end for span in codeword.spans) - _begin(codeword) for codeword in layout.codewords}
    in_line = all(_begin(codeword) == number * pitch for number, codeword in enumerate(layout.codewords))
    # Unused bytes between the codewords would be taken for the constant ones.
    is_tight = sizes == extents and len(sizes) == 1 and 0 <= pitch - max(sizes) < 8 and pitch % 8 == 0
    # Metadata of the next word look like some outside of the code. A moved byte of the marker makes no part.
    is_plain = all(span.start >= count * pitch for span in layout.loose)
    is_plain = is_plain and all(span.target is None for codeword in layout.codewords for span in codeword.spans)
    return layout.page_bytes - count * pitch // 8 if in_line and is_tight and is_plain else 0


def _constant_bits(found: FoundPage, part: int, times: int) -> int | None:
    """Bits at the end of the last codeword that are alike in all rows of a part; None where too few rows tell."""
    survey, lag = found.survey, found.lag
    first = np.flatnonzero(survey.written[lag:] & survey.written[: len(survey.written) - lag])
    first = evenly_of(first[first % times == part], ROWS)
    rows = survey.pages[first] ^ survey.pages[first + lag] if lag else survey.pages[first]
    words = _different(_words(found, rows))
    if len(words) < FEWEST_WORDS:
        return None
    return int((words != words[0]).any(axis=0)[::-1].argmax())


def _words(found: FoundPage, rows: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """`uint8[words, bits]`: the last codeword of the rows in which it decodes and has content, without its errors."""
    last = found.layout.codewords[-1]
    values = in_code_order(rows, found.window.bit_order)
    bits = bits_at(~values if found.window.complement else values, exact_spans(last, found.words.bch))
    bits = bits[with_content(np.packbits(bits[:, : last.message_bits], axis=1))]
    words, errors = corrected(bits, found.words.bch)
    return words[errors >= 0]


def _different(words: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """The same, each once: a copy says nothing more."""
    return np.unpackbits(np.unique(np.packbits(words, axis=1), axis=0), axis=1, count=words.shape[1])
