"""From one window to the whole code and the whole page.

The words in a window are corrected with as many roots as the window has shown; a corrected word then tells all its
consecutive roots, and so the strength of the code and the length of its parity. Where the words are free of errors,
their greatest common divisor is the generator times little (van Zandwijk, Digital Investigation 12, 2015) and gives
the polynomial as well (`divisor`).
"""

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.rebuild.certainty import accident_chances
from deadstick.recipe.code import in_code_order
from deadstick.recipe.layout import Part, Span
from deadstick.solve.codeword.divisor import code_of
from deadstick.solve.codeword.heads import SHORTEST_TAIL, Rows, Tail
from deadstick.solve.codeword.places import telling
from deadstick.solve.codeword.window import CONVINCING, Window
from deadstick.solve.codeword.words import bits_at, consecutive_roots, corrected
from deadstick.solve.common.chance import log10_tail
from deadstick.solve.common.spread import evenly

MOST_WORDS = 24
FEWEST_HITS = 2
WEAKEST = 3
"""Regular text can have a root or two of its own; six consecutive roots are no accident of a text."""
STRONGEST = 80
STRONG, MOST_DECODE = 8, 0.45
"""Strength below which words decode by accident now and then; and the share of the rows that must decode then."""
ENOUGH, SPARE_ROOTS = 1.6, 5
"""Roots to correct words with: so many times the mean number of errors, and some more."""
MOSTLY_CLEAN = 0.5
"""Errors in the mean up to which most words that decode are free of errors."""
FEWER = (1.4, 1.2, 1.0)
"""So many times the mean number of errors, where those roots are more than the words have in a row."""


@dataclass(frozen=True, slots=True)
class FoundCode:
    """A code that rows of the dump obey.

    Attributes:
        bch: the code.
        words: words that are multiples of its generator once corrected.
        examined: words that were corrected.
        first: spans of the first codeword's message and parity, as bits of a row.
        metadata_bits: of its message.
        errors: mean number of errors in a word that decodes.
        forced_bits: bits of the remainder that the correction itself has made zero; the others are evidence.
    """

    bch: BchCode
    words: int
    examined: int
    first: tuple[Span, ...]
    metadata_bits: int
    errors: float
    forced_bits: int


def code_view(rows: Rows, window: Window) -> NDArray[np.uint8]:
    """Rows as the code of a window sees them: most significant bit first, complemented where they are so stored."""
    values = in_code_order(rows.values, window.bit_order)
    return ~values if window.complement else values


def identify(rows: NDArray[np.uint8], window: Window) -> FoundCode | None:
    """Which BCH code has the words in a window?

    Args:
        rows: `uint8[rows, columns]`, see `code_view`.
        window: the first codeword, roughly: its tail may be some bits off.

    Returns:
        None where the words are not those of a BCH code of at least the strength `WEAKEST`.
    """
    chosen = telling(rows)
    code = _of_clean_words(rows[chosen], window) if window.errors < MOSTLY_CLEAN else None
    if code is not None:
        window = replace(window, polynomial=code.primitive_polynomial, depth=code.t)
    elif not window.depth:
        return None
    wide = chosen[evenly(len(chosen), 2 * MOST_WORDS)]
    # The words may belong to a weaker code than the window looked deep for: no more roots than the errors need.
    enough = min(window.depth, int(ENOUGH * window.errors) + SPARE_ROOTS)
    # Nor may there be as many: a power of alpha shows words by what roots it has in a row, a third of them or a fifth.
    fewer = (int(window.errors * times) + 1 for times in FEWER)
    for depth in dict.fromkeys((enough, window.depth, *(n for n in fewer if WEAKEST < n < enough), WEAKEST)):
        found = _measured(rows[wide], window, BchCode(window.m, window.polynomial, depth))
        if found is not None:
            return found
    return None


def _of_clean_words(rows: NDArray[np.uint8], window: Window) -> BchCode | None:
    """The code of those words that are free of errors.

    A root alone tells neither alpha nor how many follow. Nor do a few in a row: of a strong code many powers of alpha
    have as many, and words with errors do not decode under them.
    """
    words = bits_at(rows, _spans(window, 8 * window.tail_bytes))
    clean = words[consecutive_roots(words, window.m, window.polynomial) > 0]
    code = code_of(clean[: 4 * MOST_WORDS], window.m)
    return code if code is not None and WEAKEST <= code.t <= STRONGEST else None


def _measured(rows: NDArray[np.uint8], window: Window, weaker: BchCode) -> FoundCode | None:
    """The strength and the exact length, with words corrected by a code that theirs is a part of."""
    first = 8 * window.tail_bytes - 9
    best = _likeliest(rows, window, weaker, range(first, 8 * window.tail_bytes + 10))
    # Where no word decodes, the shortest length wins as well, and says nothing.
    while best is not None and best[0] and best[2] == -first and first > 8 * SHORTEST_TAIL:
        # Of a longer word that was divided a part may have more zeros behind it than a byte.
        best, first = _likeliest(rows, window, weaker, range(first - 8, first + 1)) or best, first - 8
    if best is None or best[0] < FEWEST_HITS:
        return None
    # A missing or a foreign bit is an error of every second word, so the right length has the fewest errors; a zero
    # bit too many costs nothing, so the shortest of equals is right.
    bits = -best[2]
    words, errors = corrected(bits_at(rows, _spans(window, bits)), weaker)
    clean = words[errors >= 0]
    # A root that is a power of alpha also has consecutive powers that are roots, only fewer: all clean words together
    # tell which polynomial has the most.
    code = code_of(clean[:MOST_WORDS], window.m)
    if code is None or not WEAKEST <= code.t <= STRONGEST:
        return None
    roots = consecutive_roots(clean, window.m, code.primitive_polynomial)
    agreeing = int((roots >= code.t).sum())
    if agreeing < FEWEST_HITS or 2 * agreeing < len(roots) or not _bears(rows, window, bits, code):
        return None
    return _complete(window, code, bits, (agreeing, len(roots)), -best[1] / best[0], weaker.parity_bits)


def _likeliest(rows: NDArray[np.uint8], window: Window, weaker: BchCode, lengths: range) -> tuple[int, int, int] | None:
    """(words that decode, errors less than none, bits less than none) of the likeliest length of the tail."""
    best: tuple[int, int, int] | None = None
    for bits in lengths:
        _, errors = corrected(bits_at(rows, _spans(window, bits)), weaker)
        good = errors >= 0
        quality = (int(good.sum()), -int(errors[good].sum()), -bits)
        if best is None or quality > best:
            best = quality
    return best


def _bears(rows: NDArray[np.uint8], window: Window, bits: int, code: BchCode) -> bool:
    """Whether more words decode than by accident; half of the rows, at least, if the code is weak.

    Under half of the right page size every other row is a codeword, and `find_code` mends that later.
    """
    _, errors = corrected(bits_at(rows, _spans(window, bits)), code)
    good = errors >= 0
    accident = min(1.0, float(accident_chances(window.message * 8 + bits, code.parity_bits, code.t).sum()))
    if log10_tail(len(rows), int(good.sum()), accident) > CONVINCING:
        return False
    return bool(code.t >= STRONG or good.mean() >= MOST_DECODE)


def _complete(
    window: Window, code: BchCode, tail_bits: int, words: tuple[int, int], errors: float, forced_bits: int
) -> FoundCode | None:
    between = 8 * window.tail.length
    covered = tail_bits - code.parity_bits
    # Metadata are whole bytes; so much that is none may be the parity of one codeword and the data of another.
    if covered < 0 or ((covered + between) % 8 and covered < code.parity_bits):
        return None
    spans = _spans(window, tail_bits)
    tail = spans[-1]
    message = [*spans[:-1]]
    if covered:
        message.append(Span(Part.METADATA, tail.start, covered))
    parity = Span(Part.PARITY, tail.start + covered, code.parity_bits)
    return FoundCode(code, *words, (*message, parity), between + covered, errors, forced_bits)


def _spans(window: Window, tail_bits: int) -> tuple[Span, ...]:
    spans = [Span(Part.DATA, 8 * window.begin, 8 * window.message)]
    tail: Tail = window.tail
    if tail.length:
        spans.append(Span.of_bytes(Part.METADATA, tail.between, tail.length))
    return (*spans, Span(Part.PARITY, 8 * tail.first, tail_bits))
