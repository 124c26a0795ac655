"""Codes other than BCH, drawn at random: Hamming as SmartMedia-time controllers used it, and Reed-Solomon."""

from dataclasses import replace

import numpy as np

from deadstick.codes import gf2poly
from deadstick.codes.reed_solomon import Padding
from deadstick.recipe.code import BitOrder, Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span, in_line, spare_groups

HAMMING_BYTES = (256, 512)
SYMBOL_BITS = (8, 9, 10)
MOST_SYMBOLS = 16
"""Symbols that a drawn code corrects."""
PADDINGS: tuple[Padding, ...] = ("front", "back", "gap")


def draw_other_code(rng: np.random.Generator, message: int) -> Code:
    """Draw a Hamming or a Reed-Solomon code for one codeword.

    Args:
        rng: decides everything.
        message: bytes that the code protects; a Hamming code is drawn only for 256 and 512.

    Raises:
        ValueError: no code with symbols of at most 10 bits is long enough.
    """
    if message in HAMMING_BYTES and rng.random() < 0.5:
        return Code.hamming(message, erased_is_codeword=bool(rng.random() < 0.8))
    return draw_reed_solomon(rng, message)


def draw_reed_solomon(rng: np.random.Generator, message: int) -> Code:
    """Draw a Reed-Solomon code of symbols of 8, 9 or 10 bits; see `draw_other_code`."""
    room = {m: ((1 << m) - 1 - -(-8 * message // m)) // 2 for m in SYMBOL_BITS}
    fitting = [m for m in SYMBOL_BITS if room[m] >= 2]
    if not fitting:
        raise ValueError(f"no Reed-Solomon code of at most 10-bit symbols takes {message} bytes")
    # Symbols of a byte are taken wherever words of 255 of them are long enough.
    m = 8 if 8 in fitting else fitting[int(rng.integers(len(fitting)))]
    # A fifth of the message at most; fewer than two symbols would prove nothing.
    t = int(rng.integers(2, max(2, min(MOST_SYMBOLS, room[m], 8 * message // 5 // (2 * m))) + 1))
    polynomials = gf2poly.primitive_polynomials(m)
    first_root = (0, 1, (1 << (m - 1)) - t, (1 << m) - 1 - 2 * t)[int(rng.integers(4))]
    order: BitOrder = "msb" if rng.random() < 0.5 else "lsb"
    return Code(
        m,
        polynomials[int(rng.integers(len(polynomials)))],
        t,
        first_root,
        order,
        inverted=bool(rng.random() < 0.1),
        erased_is_codeword=bool(rng.random() < 0.3),
        family="reed_solomon",
        padding=PADDINGS[int(rng.integers(3))],
    )


def draw_other_layout(rng: np.random.Generator, code: Code, data: int, message: int, metadata: int) -> PageLayout:
    """Draw a page for such a code: its metadata lies outside the code's cover.

    Args:
        rng: decides everything.
        code: from `draw_other_code`.
        data: data bytes of the page.
        message: data bytes of a codeword.
        metadata: metadata bytes of a codeword.
    """
    count, parity = data // message, code.parity_bytes
    least = max(count * (metadata + parity), data // 32, 16)
    spare = min(least + int(rng.integers(0, 17)), data // 3)
    spare += spare % 2
    if rng.random() < 0.3:
        built = in_line(data + spare, count, message, metadata, parity)
        codewords = tuple(Codeword(word.message[:1], word.parity) for word in built.codewords)
        layout = PageLayout(data + spare, codewords, tuple(s for w in built.codewords for s in w.message[1:]))
    else:
        layout = spare_groups(data + spare, count, message, metadata, parity, covered=False)
    if code.family == "hamming" and rng.random() < 0.5:
        # The other order of the first two parity bytes, see Linux drivers/mtd/nand/ecc-sw-hamming.c.
        layout = replace(layout, codewords=tuple(_swapped(word, code) for word in layout.codewords))
    return layout


def _swapped(word: Codeword, code: Code) -> Codeword:
    start = word.parity[0].start
    order = ((start + 8, 8), (start, 8), (start + 16, code.parity_bits - 16))
    return Codeword(word.message, tuple(Span(Part.PARITY, first, bits) for first, bits in order))
