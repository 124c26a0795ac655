"""Words cut out of rows at given spans, and how they decode."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode
from deadstick.recipe.layout import Codeword, Span
from deadstick.solve.codeword.root_kernels import field_tables
from deadstick.solve.codeword.syndrome_kernels import syndrome_prefixes

MOST_ROOTS = 100


def bits_at(rows: NDArray[np.uint8], spans: Sequence[Span]) -> NDArray[np.uint8]:
    """The bits of some spans, one after the other.

    Args:
        rows: `uint8[rows, columns]`, most significant bit first.
        spans: bit positions in a row.

    Returns:
        `uint8[rows, bits]`, zeros and ones.
    """
    pieces = []
    for span in spans:
        first, last = span.start // 8, -(-span.end // 8)
        bits = np.unpackbits(rows[:, first:last], axis=1)
        pieces.append(bits[:, span.start - 8 * first : span.end - 8 * first])
    return np.concatenate(pieces, axis=1)


def exact_spans(codeword: Codeword, code: BchCode) -> tuple[Span, ...]:
    """Spans of a codeword with as many parity bits as the code has; a layout may store whole bytes of it."""
    last = codeword.parity[-1]
    parity = replace(last, bits=last.bits - codeword.parity_bits + code.parity_bits)
    return (*codeword.message, *codeword.parity[:-1], parity)


def corrected(bits: NDArray[np.uint8], code: BchCode) -> tuple[NDArray[np.uint8], NDArray[np.int16]]:
    """Decode words of any number of bits.

    Args:
        bits: `uint8[words, bits]`, the highest power of x first.
        code: may be weaker than the code that the words belong to: its codewords are among those of a weaker one.

    Returns:
        Corrected bits, and errors in each word, -1 where it does not decode.
    """
    count, size = bits.shape
    parity = code.parity_bits
    front, back = -(size - parity) % 8, -parity % 8
    # Zeros in front change nothing in a shortened code; the parity stands left-aligned in its bytes.
    padded = np.zeros((count, front + size + back), np.uint8)
    padded[:, front : front + size] = bits
    decoded = code.decode(np.packbits(padded, axis=1), (front + size - parity) // 8)
    return np.unpackbits(decoded.words, axis=1)[:, front : front + size], decoded.errors


def consecutive_roots(bits: NDArray[np.uint8], m: int, polynomial: int) -> NDArray[np.int64]:
    """How many of alpha, alpha^3, alpha^5 ... are roots before the first that is none, for each word without errors.

    Args:
        bits: `uint8[words, bits]`.
        m: the field is GF(2^m).
        polynomial: primitive polynomial of alpha.

    Returns:
        `int64[words]`, at most `MOST_ROOTS`: the strength t of the code, unless a word has a root by accident.
    """
    rows = np.packbits(bits, axis=1)
    exp, log = np.empty(2 * ((1 << m) - 1), np.uint16), np.zeros(1 << m, np.uint16)
    field_tables(polynomial, m, exp, log)
    prefix = np.empty((len(rows), rows.shape[1] + 1, MOST_ROOTS), np.uint16)
    syndrome_prefixes(rows, m, exp, log, np.empty(256, np.int32), prefix)
    nonzero = np.concatenate([prefix[:, -1, :] != 0, np.ones((len(rows), 1), np.bool_)], axis=1)
    roots: NDArray[np.int64] = nonzero.argmax(axis=1).astype(np.int64)
    return roots
