"""In which order the search for a code goes: which test, which polynomials, on how many page sizes.

What is most likely to be found, or quickest to try, stands first. The order decides how long a search takes and not
what it finds, unless the time runs out.
"""

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from functools import cache

from deadstick.codes import gf2poly
from deadstick.recipe.code import BitOrder
from deadstick.solve.codeword.decoding import BROAD, DEEP, DEEPEST, MIDDLE, ORDERS, SHALLOW, Depth
from deadstick.solve.codeword.polynomials import DEGREES, known_polynomials, polynomial_rounds
from deadstick.solve.hints.hints import CodeHint
from deadstick.solve.page_size.geometry import MESSAGES

FIRST_CANDIDATES = 1
EARLY_CANDIDATES = 3
MANY_CANDIDATES = 8
CHEAPEST_FIRST = ((512, True), (1024, True), (512, False), (1024, False), (2048, True))
"""Lengths of message, in the usual field or the larger ones, the cheapest first. A long message has more bit errors and
more lengths of parity: all others together cost less than the longest alone, whose errors take 40 syndromes."""
MORE_LAGS = 3
"""For the cheapest of them. Under keystreams that go by place and block a lag joins few pages of a block, and the next
one others."""


@dataclass(frozen=True, slots=True)
class Step:
    """One step of the search.

    Attributes:
        test: `roots` or `decoding`.
        candidates: page sizes to try, the likeliest ones.
        lags: distances of pages whose differences are tried, beside the pages as they are.
        polynomials: fields to try.
        depth: of the decoding test; None for what the errors in the rows demand, where they tell.
        blind: only where the errors in the rows cannot be told; without a depth, for the most errors that can be found
            in differences.
        messages: lengths of message to try, in bytes.
        natural: whether the decoding test takes the usual fields for each length of message, or the others.
        at_ends: try only single codewords in line that end where the structure of the spare area shows an end.
        everywhere: try every place, and not only those that the structure of the spare area suggests.
        after: candidates that an earlier step has tried.
        orders: bit orders to try.
        t: errors that the code corrects in a word; None where that is not known.
    """

    test: str
    candidates: int
    lags: int
    polynomials: tuple[int, ...]
    depth: Depth | None = SHALLOW
    natural: bool = True
    at_ends: bool = False
    everywhere: bool = False
    after: int = 0
    blind: bool = False
    messages: tuple[int, ...] = MESSAGES
    orders: tuple[BitOrder, ...] = ORDERS
    t: int | None = None


def first_steps(candidates: int) -> Iterator[Step]:
    """What is most likely to be found, or quickest to try."""
    known = known_polynomials()
    yield Step("roots", candidates, 2, known)
    yield from (Step("decoding", EARLY_CANDIDATES, 2, known, depth) for depth in (MIDDLE, DEEP))
    # Where a page is a single codeword, or codewords in line make pages of a slice, its end leaves few lengths.
    for after, many in ((0, FIRST_CANDIDATES), (FIRST_CANDIDATES, EARLY_CANDIDATES)):
        for natural in (True, False):
            yield Step("decoding", many, 1, every_polynomial(), None, natural, at_ends=True, after=after)
    # The first page size is nearly always the right one: it is searched through before the others are.
    for message, natural in CHEAPEST_FIRST:
        yield from _in_turn(FIRST_CANDIDATES, message, natural=natural)
    # Where nothing tells the errors the steps before look deep, and so for strong codes alone.
    for natural in (True, False):
        yield Step("decoding", FIRST_CANDIDATES, 1, every_polynomial(), SHALLOW, natural, blind=True)


def later_steps() -> Iterator[Step]:
    """All the rest, where neither that nor another kind of code was found."""
    known, everything = known_polynomials(), every_polynomial()
    usual = [length for length in CHEAPEST_FIRST if length[1]]
    larger = [length for length in CHEAPEST_FIRST if not length[1]]
    # Half and double of the right page size are as likely as it, and larger fields are as usual in a few sizes as the
    # right size is further down, where the columns of others are more alike.
    yield from _fitting(FIRST_CANDIDATES, EARLY_CANDIDATES, [*usual, *larger])
    yield from _fitting(EARLY_CANDIDATES, MANY_CANDIDATES, usual)
    for few, many in ((0, FIRST_CANDIDATES), (FIRST_CANDIDATES, EARLY_CANDIDATES)):
        if few:
            for natural in (True, False):
                yield Step("decoding", many, 1, everything, BROAD, natural, after=few)
        yield Step("decoding", many, 1, everything, SHALLOW, after=few)
        yield Step("decoding", many, 1, everything, DEEPEST, after=few)
        for depth in (MIDDLE, DEEP):
            yield Step("decoding", many, 3, known, depth, everywhere=True, after=few)
        for natural in (True, False):
            yield Step("decoding", many, 3, everything, MIDDLE, natural, after=few)
    for natural in (True, False):
        yield Step("decoding", MANY_CANDIDATES, 1, everything, MIDDLE, natural, after=EARLY_CANDIDATES)
    yield Step("roots", EARLY_CANDIDATES, 4, known, everywhere=True)
    for polynomials in polynomial_rounds():
        yield Step("roots", EARLY_CANDIDATES, 2, polynomials)


def _fitting(after: int, candidates: int, lengths: Iterable[tuple[int, bool]]) -> Iterator[Step]:
    """Every polynomial on codewords of some lengths, as deep as the errors in the rows demand."""
    for message, natural in lengths:
        step = Step("decoding", candidates, 1, every_polynomial(), None, natural, messages=(message,))
        yield replace(step, after=after)


@cache
def every_polynomial() -> tuple[int, ...]:
    """Every primitive polynomial of the degrees that are searched."""
    return tuple(p for m in DEGREES for p in gf2poly.primitive_polynomials(m))


def hinted_steps(candidates: int, hint: CodeHint | None, order: BitOrder | None = None) -> Iterator[Step]:
    """What a hint on the code or the bit order leaves, before everything else.

    Args:
        candidates: page sizes.
        hint: what is known of the code.
        order: the bit order that is known.
    """
    if hint is not None and hint.family != "bch":
        return
    t = hint.t if hint is not None else None
    orders = ORDERS if order is None else (order,)
    for step in _hinted(candidates, hint, is_narrower=t is not None or order is not None):
        yield replace(step, orders=orders, t=t)


def _hinted(candidates: int, hint: CodeHint | None, *, is_narrower: bool) -> Iterator[Step]:
    """Steps for the field, the polynomial or the length of the data; the first steps where something else is known."""
    message = None if hint is None else hint.message_bytes
    messages = MESSAGES if message is None else (message,)
    few = min(candidates, EARLY_CANDIDATES)
    if hint is None or (hint.m is None and hint.polynomial is None):
        if message in MESSAGES:
            yield from _of_length(few, messages)
        elif message is None and is_narrower:
            yield from first_steps(candidates)
        return
    degrees = DEGREES if hint.m is None else (hint.m,)
    left = tuple(
        polynomial
        for m in degrees
        if m in DEGREES
        for polynomial in gf2poly.primitive_polynomials(m)
        if hint.polynomial in {None, polynomial}
    )
    if left:
        for depth in (MIDDLE, DEEP, SHALLOW):
            for natural in (True, False):
                yield Step("decoding", few, 2, left, depth, natural, messages=messages)


def _of_length(candidates: int, messages: tuple[int, ...]) -> Iterator[Step]:
    """Every polynomial on codewords of a known length, as deep as the errors in the rows demand."""
    for natural in (True, False):
        yield Step("decoding", candidates, 1, every_polynomial(), None, natural, at_ends=True, messages=messages)
    for message in messages:
        for natural in (True, False):
            yield from _in_turn(candidates, message, natural=natural)


def _in_turn(candidates: int, message: int, *, natural: bool) -> Iterator[Step]:
    """Every polynomial on codewords of one length: as deep as the errors demand, or blind where they do not tell."""
    step = Step("decoding", candidates, 1, every_polynomial(), None, natural, messages=(message,))
    is_cheap = (message, natural) in CHEAPEST_FIRST[:2]
    # Codes over the longest message are made for the most errors, and differences have twice as many.
    blind = replace(step, depth=None if message == max(MESSAGES) else BROAD, blind=True)
    yield from (replace(step, lags=MORE_LAGS) if is_cheap else step, blind)
