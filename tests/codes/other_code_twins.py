"""Slow, readable twins of the Reed-Solomon and Hamming kernels, from the textbook and from the Linux documentation."""

from deadstick.codes.field import Field
from deadstick.codes.reed_solomon import ReedSolomonCode


def symbols_of(code: ReedSolomonCode, word: bytes, message_bytes: int) -> list[tuple[int, int]]:
    """(power of x, value) of every symbol of a word."""
    m, parity = code.m, 2 * code.t
    bits = "".join(f"{byte:08b}" for byte in word)
    message, rest = bits[: 8 * message_bytes], bits[8 * message_bytes :][: parity * m]
    fill = "0" * (-len(message) % m)
    message = fill + message if code.padding == "front" else message + fill
    values = [int(message[i : i + m], 2) for i in range(0, len(message), m)]
    last = code.length - 1 if code.padding == "gap" else len(values) + parity - 1
    powers = [last - i for i in range(len(values))]
    parities = [(parity - 1 - i, int(rest[i * m : (i + 1) * m], 2)) for i in range(parity)]
    return list(zip(powers, values, strict=True)) + parities


def value_at(field: Field, symbols: list[tuple[int, int]], exponent: int) -> int:
    """A word at alpha^exponent, term by term."""
    total = 0
    for power, value in symbols:
        total ^= int(field.multiply(value, field.exp[power * exponent % field.order]))
    return total


def is_codeword(code: ReedSolomonCode, word: bytes, message_bytes: int) -> bool:
    symbols = symbols_of(code, word, message_bytes)
    return not any(value_at(code.field, symbols, code.first_root + j) for j in range(2 * code.t))


def linux_hamming(data: bytes) -> list[int]:
    """The three bytes as Documentation/driver-api/mtd/nand_ecc.rst names them, not complemented.

    "Attempt 0" of that page: for every byte its parity goes to rp1 or rp0 by bit 0 of its number, to rp3 or rp2 by
    bit 1, and so on; cp0 to cp5 by the bit in the byte. rp16 and rp17, in the bits not used, are those of the driver.
    """
    rp, cp = [0] * 18, [0] * 6
    for number, byte in enumerate(data):
        parity = byte.bit_count() & 1
        for level in range(9):
            rp[2 * level + (number >> level & 1)] ^= parity
        for bit in range(8):
            value = byte >> bit & 1
            for level in range(3):
                cp[2 * level + (bit >> level & 1)] ^= value
    low = [rp[17], rp[16]] if len(data) == 512 else [0, 0]
    rows = [rp[7::-1], rp[15:7:-1], [*cp[::-1], *low]]
    return [int("".join(map(str, row)), 2) for row in rows]
