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
from deadstick.solve.window import RootTester, Tail, Window, data_bytes_of

MOST_WORDS = 24
FEWEST_HITS = 2
WEAKEST = 3
"""Regular text can have a root or two of its own; six consecutive roots are no accident of a text."""
LONGEST_GAP = 32
"""Metadata outside the code's cover are few bytes; a longer gap is unused (common practice, no source)."""
TELLING_SHARE = 0.05
"""More rows than bit errors would make differ."""


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
    if code is None or code.t < WEAKEST:
        return None
    fitting = sum(gf2poly.remainder(word, code.generator) == 0 for word in words)
    return FoundCode(code, fitting, len(words)) if fitting >= FEWEST_HITS else None


def _words(values: NDArray[np.uint8], window: Window) -> list[int]:
    message = values[:, window.begin : window.begin + window.message]
    between = values[:, window.tail.between : window.tail.between + window.tail.length]
    tail = values[:, window.tail.first : window.tail.first + window.tail_bytes]
    joined = np.concatenate([message, between, tail], axis=1)
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
        None where some codeword of the page cannot be found: then the page size or the window is wrong.
    """
    tester.set_field(window.m, window.polynomial, window.bit_order)
    page_bytes = tester.prefix.shape[1] - 1
    metadata = window.tail_bytes - code.parity_bytes
    if metadata < 0:
        return None
    places = [_Place(window.begin, window.tail, metadata)]
    count = max(1, data_bytes_of(page_bytes) // window.message)
    while len(places) < count:
        place = _next_place(tester, window, code, places)
        if place is None:
            return None
        places.append(place)
    codewords = [place.codeword(window.message, code.parity_bytes) for place in places]
    return PageLayout(page_bytes, tuple(codewords), _unassigned(tester, codewords, page_bytes))


@dataclass(frozen=True, slots=True)
class _Place:
    """One codeword: where its message begins, its tail, and how many metadata bytes the tail begins with."""

    begin: int
    tail: Tail
    metadata: int

    def codeword(self, message: int, parity: int) -> Codeword:
        spans = [Span.of_bytes(Part.DATA, self.begin, message)]
        if self.tail.length:
            spans.append(Span.of_bytes(Part.METADATA, self.tail.between, self.tail.length))
        if self.metadata:
            spans.append(Span.of_bytes(Part.METADATA, self.tail.first, self.metadata))
        first = self.tail.first + self.metadata
        return Codeword(tuple(spans), (Span.of_bytes(Part.PARITY, first, parity),))


def _next_place(tester: RootTester, window: Window, code: BchCode, places: list[_Place]) -> _Place | None:
    """The next codeword: its message right behind the last one, or behind the last tail where all stands in line."""
    last = places[-1]
    page_bytes = tester.prefix.shape[1] - 1
    end = last.tail.first + last.metadata + code.parity_bytes
    in_line = window.tail.first == window.begin + window.message
    begin = end if in_line else last.begin + window.message
    between, length = last.tail.between + last.tail.length, last.tail.length
    lengths = sorted({places[0].metadata, 0})
    if in_line:
        tails = [Tail(begin + window.message)]
    else:
        # The expected place comes first, so that it wins a tie with an accident elsewhere.
        others = range(data_bytes_of(page_bytes), page_bytes - code.parity_bytes + 1)
        tails = [Tail(first, between, length) for first in (end, *others)]
    if begin + window.message > page_bytes or tails[0].first + code.parity_bytes > page_bytes:
        return None
    shortest = code.parity_bytes
    counts = tester.hits(begin, window.message, tails, shortest, shortest + lengths[-1])[:, lengths]
    most = int(counts.max(initial=0))
    if most < max(FEWEST_HITS, window.hits // 8):
        return None
    which = counts == most
    column = int(which.any(axis=0).nonzero()[0][-1])  # of equals the one that is built like the first codeword
    return _Place(begin, tails[int(which[:, column].argmax())], lengths[column])


def _unassigned(tester: RootTester, codewords: list[Codeword], page_bytes: int) -> tuple[Span, ...]:
    """Gaps between the codewords in which something differs from page to page: bytes outside the code's cover."""
    free = np.ones(page_bytes, np.bool_)
    for codeword in codewords:
        for span in codeword.spans:
            free[span.start // 8 : span.end // 8] = False
    values = tester.rows.values
    differs = (values != np.median(values, axis=0).astype(np.uint8)).mean(axis=0)
    edges = np.flatnonzero(np.diff(np.r_[False, free, False].astype(np.int8)))
    gaps = [(int(first), int(last)) for first, last in zip(edges[::2], edges[1::2], strict=True)]
    return tuple(
        Span.of_bytes(Part.METADATA, first, last - first)
        for first, last in gaps
        if last - first <= LONGEST_GAP and differs[first:last].max() > TELLING_SHARE
    )
