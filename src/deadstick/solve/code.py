"""From one window to the whole code and the whole page.

Words without errors are multiples of the generator polynomial, so their greatest common divisor is the generator times
little (van Zandwijk, Digital Investigation 12, 2015). Its factors give the roots, the roots give the primitive
polynomial and t. With the code known, every other codeword of the page is found by its root alone.
"""

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.field import Field
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.window import RootTester, Window, data_bytes_of

MOST_WORDS = 24
FEWEST_HITS = 2


@dataclass(frozen=True, slots=True)
class FoundCode:
    """A code that rows of the dump obey.

    Attributes:
        bch: the code.
        words: error-free words that are multiples of its generator.
        examined: error-free words looked at.
    """

    bch: BchCode
    words: int
    examined: int


def identify(tester: RootTester, window: Window) -> FoundCode | None:
    """Which BCH code has the words in a window?

    Args:
        tester: with the window's rows.
        window: from `window.search`.

    Returns:
        None where no BCH code with consecutive roots from alpha on explains the words.
    """
    tester.set_field(window.m, window.polynomial, window.bit_order)
    chosen = tester.rows_with_root(window.begin, window.message, window.tail, window.tail_bytes)
    values = tester.ordered[window.bit_order][chosen[: 4 * MOST_WORDS]]
    words = list(dict.fromkeys(_words(values, window)))[:MOST_WORDS]
    generator = _common_divisor(words)
    if generator is None:
        return None
    code = _bch_with(generator, window.m)
    if code is None:
        return None
    fitting = sum(gf2poly.remainder(word, code.generator) == 0 for word in words)
    return FoundCode(code, fitting, len(words)) if fitting >= FEWEST_HITS else None


def _words(values: NDArray[np.uint8], window: Window) -> list[int]:
    message = values[:, window.begin : window.begin + window.message]
    tail = values[:, window.tail : window.tail + window.tail_bytes]
    joined = np.concatenate([message, tail], axis=1)
    return [int.from_bytes(row.tobytes(), "big") for row in joined]


def _common_divisor(words: list[int]) -> int | None:
    """The divisor that most neighbouring pairs share; a word with a bit error spoils only its own pairs."""
    votes: Counter[int] = Counter()
    for first, second in pairwise(words):
        divisor = gf2poly.gcd(first, second)
        if gf2poly.degree(divisor) >= 24:
            votes[divisor] += 1
    if not votes:
        return None
    # Two words may share more than the generator, by accident; three share less.
    common = 0
    for divisor, _ in votes.most_common(4):
        both = gf2poly.gcd(common, divisor)
        common = both if gf2poly.degree(both) >= 24 else common
    return common


def _bch_with(generator: int, m: int) -> BchCode | None:
    """The BCH code whose generator divides `generator` and uses up most of it."""
    best: BchCode | None = None
    for polynomial in gf2poly.primitive_polynomials(m):
        if gf2poly.remainder(generator, polynomial):
            continue
        t = _consecutive_roots(generator, Field(m, polynomial)) // 2
        if best is None or t > best.t:
            best = BchCode(m, polynomial, t)
    return best


def _consecutive_roots(generator: int, field: Field) -> int:
    """How many of alpha, alpha^2, alpha^3 ... are roots before the first that is none."""
    exponent = 1
    while gf2poly.remainder(generator, field.minimal_polynomial(exponent)) == 0:
        exponent += 2  # alpha^(2 i) is a root wherever alpha^i is
    return exponent - 1


def complete_layout(tester: RootTester, window: Window, code: BchCode) -> PageLayout | None:
    """Find every codeword of the page.

    Args:
        tester: with the window's rows.
        window: the first codeword.
        code: from `identify`.

    Returns:
        None where some codeword of the page cannot be found: then the page size is wrong.
    """
    tester.set_field(window.m, window.polynomial, window.bit_order)
    page_bytes = tester.prefix.shape[1] - 1
    metadata = window.tail_bytes - code.parity_bytes
    if metadata < 0:
        return None
    in_line = window.tail == window.begin + window.message
    places = [(window.begin, window.tail, metadata)]
    count = max(1, data_bytes_of(page_bytes) // window.message)
    while len(places) < count:
        place = _next_codeword(tester, window, code, places, in_line=in_line)
        if place is None:
            return None
        places.append(place)
    codewords = [_codeword(window.message, code.parity_bytes, *place) for place in places]
    loose = _unassigned(tester, codewords, page_bytes)
    return PageLayout(page_bytes, tuple(codewords), loose)


def _next_codeword(
    tester: RootTester, window: Window, code: BchCode, places: list[tuple[int, int, int]], *, in_line: bool
) -> tuple[int, int, int] | None:
    """(begin, tail, metadata bytes) of the next codeword, or None."""
    begin, tail, metadata = places[-1]
    first_metadata = places[0][2]
    page_bytes = tester.prefix.shape[1] - 1
    end = tail + metadata + code.parity_bytes
    start = end if in_line else begin + window.message
    lengths = sorted({first_metadata, 0})
    shortest, longest = code.parity_bytes + lengths[0], code.parity_bytes + lengths[-1]
    if in_line:
        tails = np.array([start + window.message], np.int64)
    else:
        # The expected place comes first, so that it wins a tie with an accident elsewhere.
        others = range(data_bytes_of(page_bytes), page_bytes - code.parity_bytes)
        tails = np.array([end, *others], np.int64)
    if start + window.message > page_bytes or tails[0] >= page_bytes:
        return None
    counts = tester.hits(start, window.message, tails, shortest, longest)
    allowed = counts[:, [length + code.parity_bytes - shortest for length in lengths]]
    most = int(allowed.max(initial=0))
    if most < max(FEWEST_HITS, window.hits // 8):
        return None
    index, which = (int(i[0]) for i in np.nonzero(allowed == most))
    return start, int(tails[index]), lengths[which]


def _codeword(message: int, parity: int, begin: int, tail: int, metadata: int) -> Codeword:
    spans = [Span.of_bytes(Part.DATA, begin, message)]
    if metadata:
        spans.append(Span.of_bytes(Part.METADATA, tail, metadata))
    return Codeword(tuple(spans), (Span.of_bytes(Part.PARITY, tail + metadata, parity),))


def _unassigned(tester: RootTester, codewords: list[Codeword], page_bytes: int) -> tuple[Span, ...]:
    """Columns outside every codeword that differ from row to row: the controller's bytes outside the code."""
    free = np.ones(page_bytes, np.bool_)
    for codeword in codewords:
        for span in codeword.spans:
            free[span.start // 8 : span.end // 8] = False
    values = tester.rows.values
    # Half of the rows may be told apart by a bit error here and there; a number that counts differs everywhere.
    varies = (values != np.median(values, axis=0).astype(np.uint8)).mean(axis=0) > 0.25
    columns = np.flatnonzero(free & varies)
    return tuple(Span.of_bytes(Part.METADATA, int(column), 1) for column in columns)
