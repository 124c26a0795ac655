"""The work that the BCH benchmarks share: damaged codewords of m = 14, t = 40 over 1024 bytes."""

from dataclasses import dataclass

import bchlib
import galois
import numpy as np

from deadstick.codes.bch import BchCode, Bytes

MESSAGE_BYTES = 1024
CODE = BchCode(m=14, primitive_polynomial=0x402B, t=40)
DAMAGE = {"clean": 0.0, "1e-4": 1e-4, "1e-3": 1e-3, "40 errors": 40}
"""Raw bit error rates, or a number of errors in every codeword."""


@dataclass(frozen=True)
class Workload:
    """Codewords before and after damage, uint8[words, bytes], and the number of flipped bits, int[words]."""

    sent: Bytes
    received: Bytes
    errors: np.ndarray


def workload(damage: float, words: int, seed: int = 1) -> Workload:
    """Random messages, encoded and damaged."""
    random = np.random.default_rng(seed)
    message = random.integers(0, 256, (words, MESSAGE_BYTES), dtype=np.uint8)
    sent = np.hstack([message, CODE.encode(message)])
    received = sent.copy()
    bits = 8 * MESSAGE_BYTES + CODE.parity_bits
    errors = np.full(words, int(damage)) if damage >= 1 else random.binomial(bits, damage, words)
    for row, count in zip(received, errors, strict=True):
        flips = random.choice(bits, count, replace=False)
        np.bitwise_xor.at(row, flips // 8, (128 >> flips % 8).astype(np.uint8))
    return Workload(sent, received, errors)


def as_bytearrays(words: Bytes) -> list[tuple[bytearray, bytearray]]:
    """The words as bchlib takes them: data and parity, changed in place."""
    return [(bytearray(row[:MESSAGE_BYTES].tobytes()), bytearray(row[MESSAGE_BYTES:].tobytes())) for row in words]


def run_bchlib(decoder: "bchlib.BCH", pairs: list[tuple[bytearray, bytearray]]) -> None:
    """Decode and correct one by one, as bchlib is used from Python."""
    for data, parity in pairs:
        if decoder.decode(data, parity) > 0:
            decoder.correct(data, parity)


def bchlib_decoder() -> "bchlib.BCH":
    """The Linux kernel's decoder (C)."""
    return bchlib.BCH(t=CODE.t, m=CODE.m, prim_poly=CODE.primitive_polynomial)


def galois_decoder() -> "galois.BCH":
    """The same code in galois."""
    field = galois.GF(2**CODE.m, irreducible_poly=galois.Poly.Int(CODE.primitive_polynomial))
    return galois.BCH(CODE.length, d=2 * CODE.t + 1, extension_field=field, alpha=field.primitive_element)
