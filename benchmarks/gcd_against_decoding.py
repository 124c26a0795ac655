"""The greatest common divisor, the root of clean words, and decoding as the test: who finds the code in how much noise?

    python benchmarks/gcd_against_decoding.py

One class of words: BCH over GF(2^14), t = 40, 1 KiB and its parity in line, as many rows as a small dump has. The first
two tests are told where the word lies; decoding gets the same place. The published way (J. P. van Zandwijk, Digital
Investigation 12, 2015) needs two clean words side by side, the root test single ones, decoding none.
"""

import sys
import time
from collections.abc import Callable
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.probability import failure_probability
from deadstick.simulate.nand import add_bit_errors
from deadstick.solve.codeword.decoding import DEEPEST, DecodingTest
from deadstick.solve.codeword.heads import Heads, Tail
from deadstick.solve.codeword.heads import Rows as WindowRows
from deadstick.solve.codeword.places import in_line_places
from deadstick.solve.codeword.window import search

MESSAGE_BYTES = 1024
M, T = 14, 40
ROWS = 240
RATES = (0.0, 1e-4, 2e-4, 4e-4, 6e-4, 8e-4, 1e-3, 1.5e-3, 2e-3, 2.5e-3, 3e-3, 3.5e-3, 4e-3)
LEAST_DIVISOR = 24
FEWEST_DIVISORS = 2
WORD_BYTES = MESSAGE_BYTES + M * T // 8
Rows = NDArray[np.uint8]
Finder = Callable[[Rows], int | None]
"""`uint8[rows, bytes]`, a codeword first in each -> a polynomial that should divide the generator, None for none."""


@dataclass(frozen=True)
class Sample:
    """Rows with one codeword each, and how many of them are free of errors."""

    rows: Rows
    code: BchCode
    clean: int


def sample(rate: float, seed: int = 1) -> Sample:
    """Random messages under a primitive polynomial that no table lists."""
    rng = np.random.default_rng(seed)
    polynomials = gf2poly.primitive_polynomials(M)
    code = BchCode(M, polynomials[int(rng.integers(len(polynomials)))], T)
    if code.parity_bytes != WORD_BYTES - MESSAGE_BYTES:
        raise ValueError(f"a code of {code.parity_bits} parity bits has not full degree; take another seed")
    message = rng.integers(0, 256, (ROWS, MESSAGE_BYTES), dtype=np.uint8)
    # What comes behind the first codeword in a page.
    rest = rng.integers(0, 256, (ROWS, 4096 + 320 - MESSAGE_BYTES - code.parity_bytes), dtype=np.uint8)
    sent = np.hstack([message, code.encode(message), rest])
    rows = sent.copy()
    add_bit_errors(rows.reshape(-1), rate, seed + 1)
    same = (rows[:, :WORD_BYTES] == sent[:, :WORD_BYTES]).all(axis=1)
    return Sample(rows, code, int(same.sum()))


def by_divisor(rows: Rows) -> int | None:
    """The published way on words of known length: what the divisors that neighbours share have in common."""
    words = [int.from_bytes(row[:WORD_BYTES].tobytes(), "big") for row in rows]
    divisors = [gf2poly.gcd(first, second) for first, second in pairwise(words)]
    large = [divisor for divisor in divisors if gf2poly.degree(divisor) >= LEAST_DIVISOR]
    if len(large) < FEWEST_DIVISORS:
        return None
    common = min(large, key=gf2poly.degree)
    for other in large:
        both = gf2poly.gcd(common, other)
        common = both if gf2poly.degree(both) >= LEAST_DIVISOR else common
    return common


def by_root(rows: Rows) -> int | None:
    """The solver's root test: single words that are zero at one alpha, so many that no accident gives them."""
    windows = search(_heads(rows), gf2poly.primitive_polynomials(M), 1, {MESSAGE_BYTES: [Tail(MESSAGE_BYTES)]})
    return windows[0].polynomial if windows else None


def by_decoding(rows: Rows) -> int | None:
    """The solver's decoding test, on words in line."""
    heads = _heads(rows)
    places = [item for item in in_line_places(heads) if item.message == MESSAGE_BYTES]
    windows = DecodingTest(heads).search(places, gf2poly.primitive_polynomials(M), DEEPEST, 1)
    return windows[0].polynomial if windows else None


def _heads(rows: Rows) -> Heads:
    return Heads.of(WindowRows("pages as read", rows))


def table(decoding: Finder = by_decoding) -> str:
    """Markdown: one row a rate.

    Args:
        decoding: the decoding test; another one can be compared in its place.
    """
    lines = [
        "| raw bit error rate | clean words expected | clean words | divisor | root | decoding | words within reach |",
        "|---:|---:|---:|---|---|---|---:|",
    ]
    for rate in RATES:
        drawn = sample(rate)
        bits = 8 * MESSAGE_BYTES + drawn.code.parity_bits
        answers = [_answer(find, drawn) for find in (by_divisor, by_root, decoding)]
        within = 1.0 - float(failure_probability(bits, T, rate))
        lines.append(
            f"| {rate:.1e} | {(1 - rate) ** bits:.2%} | {drawn.clean} of {ROWS} | "
            + " | ".join(answers)
            + f" | {within:.1%} |"
        )
    return "\n".join(lines)


def _answer(find: Finder, drawn: Sample) -> str:
    began = time.perf_counter()
    polynomial = find(drawn.rows)
    seconds = time.perf_counter() - began
    if polynomial is None:
        return f"nothing, {seconds:.1f} s"
    right = gf2poly.remainder(drawn.code.generator, polynomial) == 0
    return f"{'right' if right else 'WRONG'}, {seconds:.1f} s"


if __name__ == "__main__":
    sys.stdout.write(table() + "\n")
