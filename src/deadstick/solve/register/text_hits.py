"""The state of a register from text, of which every eighth bit is known: the highest bit of an ASCII byte is 0.

Every eighth output of a register obeys the register's own polynomial, since p(x)^8 = p(x^8) over GF(2), so the search
for the bare output finds it. The state behind it is a linear map of the register's. Where the polynomial has the factor
x + 1 twice the output may have a pattern added that is zero in the highest bit of every byte, and the map does not tell
states with it from those without. There the letters decide, and what holds no words, such as a table of numbers, says
nothing. Likewise where the output may be added complemented: the tables in the heads of pictures have rows of bytes
whose highest bit is 1 (ITU-T T.81, K.3), which pass for text under the complement, but hold no words.
"""

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.lfsr import Lfsr
from deadstick.solve.common.linear_system import LinearSystem
from deadstick.solve.register.register import MARGIN_BITS, Hits, Register, find_hits

WORDS = np.isin(np.arange(256), list(b"hijkopqrstvwz"))
"""Small letters that are no digit, space or separator of numbers with `UNTOLD` added: nearly half of those in a text.
Common practice, no source."""
UNTOLD = 0x55
"""What the factor (x + 1)^2 may add to every byte without its highest bit."""
FEWEST_IN_WORDS, MOST_ELSEWHERE = 0.2, 0.05
"""Share of such letters in text, at least, and in text with `UNTOLD` added, at most."""
FEWEST_LETTERS = 6
"""Different ones among them: a ruled line of one sign says nothing."""


def find_text_hits(
    data: NDArray[np.uint8], register: Register, *, complement: bool | None = False, by_words: bool = False
) -> Hits:
    """Places where the highest bits of a run of bytes are the register's output, as in ASCII text, where they are 0.

    Args:
        data: `uint8[bytes]`.
        register: from `find_registers`.
        complement: the data are inverted, so that the highest bits of text are 1; None where either may be.
        by_words: take only what holds words, where nothing else says whether the data are inverted.

    Returns:
        As `find_hits`, with the register's state at the first byte of each run.
    """
    plane = np.packbits(data >> 7, bitorder="little")
    found = find_hits(plane, Register(register.polynomial, "lsb", register.windows, register.examined))
    found = found.take(found.ones == complement) if complement is not None else found
    system = _highest_bits(register)
    states, has_one = system.solve_each(found.states)
    hits = Hits(8 * found.positions, states, found.ones).take(has_one)
    if system.is_regular and not by_words:
        return hits
    return _with_words(data, hits, system.kernel, register)


def _highest_bits(register: Register) -> LinearSystem:
    """The map from a state to the highest bits of as many bytes of output as the register has stages."""
    width = register.width
    basis = np.uint64(1) << np.arange(width, dtype=np.uint64)
    streams = Lfsr(register.polynomial).keystream(basis, width, register.bit_order)
    planes = np.packbits(streams >> 7, axis=1, bitorder="little")
    return LinearSystem([int.from_bytes(row.tobytes(), "little") for row in planes])


def _with_words(data: NDArray[np.uint8], hits: Hits, kernel: tuple[int, ...], register: Register) -> Hits:
    """The hits with words in them, with the one of two states that tells these; none where more is open.

    Args:
        data: `uint8[bytes]`.
        hits: with one of the states at each place, and whether the text is inverted there.
        kernel: what may be added to a state; empty where nothing may.
        register: whose states they are.
    """
    length = register.width + MARGIN_BITS
    made = Lfsr(register.polynomial).keystream(np.array(kernel, np.uint64), length, register.bit_order)
    if len(kernel) > 1 or (made != UNTOLD).any():
        return hits.take(np.zeros(len(hits.states), np.bool_))
    run = data[hits.positions[:, None] + np.arange(length)] ^ np.where(hits.ones, 0xFF, 0).astype(np.uint8)[:, None]
    text = run ^ Lfsr(register.polynomial).keystream(hits.states, length, register.bit_order)
    if not kernel:
        return hits.take(_are_words(text, text ^ 0xFF))
    as_found, as_other = _are_words(text, text ^ UNTOLD), _are_words(text ^ UNTOLD, text)
    states = np.where(as_other, hits.states ^ np.uint64(kernel[0]), hits.states)
    return Hits(hits.positions, states, hits.ones).take(as_found | as_other)


def _are_words(text: NDArray[np.uint8], other: NDArray[np.uint8]) -> NDArray[np.bool_]:
    """Which runs of `uint8[runs, bytes]` hold words, and the same runs with something added hold none."""
    share, elsewhere = WORDS[text].mean(axis=1), WORDS[other].mean(axis=1)
    different = sum((text == letter).any(axis=1).astype(np.int64) for letter in np.flatnonzero(WORDS).tolist())
    are: NDArray[np.bool_] = (share >= FEWEST_IN_WORDS) & (elsewhere <= MOST_ELSEWHERE) & (different >= FEWEST_LETTERS)
    return are
