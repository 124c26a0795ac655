"""Parity bytes that drivers publish, and two other implementations on random codes."""

import bchlib
import galois
import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode, Bytes, bit_reverse
from deadstick.codes.field import PRIMITIVE_DEFAULTS


def counting(length: int) -> Bytes:
    return np.arange(length).astype(np.uint8)[None]


def ones(length: int) -> Bytes:
    return np.full((1, length), 255, np.uint8)


# Conventions of Linux lib/bch.c; parity of bytes i & 0xFF, computed with bchlib (the same C code) as well: parity
# bytes, first 13 and last 2; the complement of the parity of all ones, first 13.
LINUX = """
13 201b  4  512   7 ecd0e0a751c490 -    2813cc3996ac7f
13 201b  8  512  13 a9bcebb1e14d242bbe4146b3d4 -    ef512e09ed939ac29779e524b5
14 402b  8 1024  14 c52905a3278849baff1cc71c3a 3a7e f65a41f418504b7e2fd6c0ff8a
14 402b 24 1024  42 60ca6c2620e8160c6b4d0b2f6e cc85 cdacd180a6ff244a34716a824e
14 402b 40 1024  70 18a7a2943cb2936cd3862bb8ec d18b 3e3609feafa3e036bd1f6f2627
14 4443 24 1024  42 a92f244be4485d80f31d18c95a 1787 3cc821ec8edfa4440abe93d29c
15 8003 40 2048  75 771d909fe7c99db5ec7a598e13 c286 69edf501b4919ca47e7648f36c
"""


@pytest.mark.parametrize("line", LINUX.strip().splitlines(), ids=lambda line: line[:10])
def test_parity_in_the_order_of_linux(line: str) -> None:
    row = line.split()
    code = BchCode(int(row[0]), int(row[1], 16), int(row[2]))
    length = int(row[3])
    assert code.parity_bytes == int(row[4])
    parity = code.encode(counting(length))[0].tobytes()
    assert parity[:13].hex() == row[5]
    if row[6] != "-":
        assert parity[-2:].hex() == row[6]
    assert bytes(255 - b for b in code.encode(ones(length))[0])[:13].hex() == row[7]


@pytest.mark.parametrize(
    ("t", "mask"),
    [
        # U-Boot and Linux omap drivers (omap_gpmc.c bch4_polynomial, bch8_polynomial): XORed onto the parity so that
        # an erased page is a codeword.
        (4, "2813cc3996ac7f"),
        (8, "ef512e09ed939ac29779e524b5"),
        # python-bchlib tests/test_exynos.py: the mask of the 16-bit ECC of the Exynos/S5PV210 boot ROM.
        (16, "9ad7ef918880fbf7063a5c9f4924d07502e359e0e4bc1e20702e"),
    ],
)
def test_masks_make_an_erased_page_a_codeword(t: int, mask: str) -> None:
    parity = BchCode(13, 0x201B, t).encode(ones(512))[0]
    assert (parity ^ 255).tobytes().hex() == mask


@pytest.mark.parametrize(
    ("t", "parity_bits", "register"),
    [
        # Linux drivers/mtd/nand/raw/omap2.c: what the error locator module shows for an erased page.
        (4, 52, "006b31dd41bc10"),
        (8, 104, "f3db14168bd2beccac6bff997b"),
        (16, 208, "f5241cd061b3f1552e2c86a3ed361b784876a93b97d17a9307" + "0e"),
    ],
)
def test_division_register_of_an_erased_page(t: int, parity_bits: int, register: str) -> None:
    code = BchCode(13, 0x201B, t)
    assert code.parity_bits == parity_bits
    # The module divides data and parity alike: (ones x^r + ones) x^r mod g. bch4 is left-aligned.
    erased = (1 << (512 * 8 + parity_bits)) - 1
    left = gf2poly.remainder(erased << parity_bits, code.generator)
    pad = 8 * code.parity_bytes - parity_bits
    assert (left << pad).to_bytes(code.parity_bytes, "big").hex() == register


@pytest.mark.parametrize(
    ("m", "polynomial", "t", "length", "bits", "distance"),
    [(13, 0x201B, 8, 512, 104, 55), (14, 0x402B, 24, 1024, 336, 161), (14, 0x5803, 40, 1028, 560, 296)],
)
def test_an_unmasked_erased_page_is_no_codeword(
    m: int, polynomial: int, t: int, length: int, bits: int, distance: int
) -> None:
    # Recomputed with bchlib: the all-ones parity field is far from the parity of all-ones data, beyond t errors.
    code = BchCode(m, polynomial, t)
    assert code.parity_bits == bits
    clear = np.unpackbits(code.encode(ones(length))[0])[:bits] == 0
    assert int(clear.sum()) == distance > t


# The public image builder of the sunxi SoCs and Linux sunxi_nand.c: bytes LSB first, m = 14, 0x5803; data bytes
# 0..255 four times, then FF FF FF FF. Checked with bchlib as well: t, first 8 and last 4 parity bytes.
SUNXI = """
16 6f465b71e0f0d0b2 46ebb5f4
24 084bfe2f6f23f24f 6feee217
28 14d591c1f3b82cc9 5c5d043b
32 e83637fab237ef97 d6e67357
40 a65423b81ac5e0de f33d62da
48 a8c5dbb146d0a3b4 366f068b
56 21af01423ff91b02 5002d646
60 76f8e6c42acfc145 30e3f28d
64 7b3a7cd2d8a51e4b c0addb0a
"""


@pytest.mark.parametrize("row", [line.split() for line in SUNXI.strip().splitlines()], ids=lambda row: f"t{row[0]}")
def test_parity_of_a_soc_that_counts_bits_from_the_other_end(row: list[str]) -> None:
    code = BchCode(14, 0x5803, int(row[0]))
    data = np.hstack([counting(1024), ones(4)])
    parity = bit_reverse(code.encode(bit_reverse(data)))[0].tobytes()
    assert len(parity) == -(-14 * code.t // 8)
    assert (parity[:8].hex(), parity[-4:].hex()) == (row[1], row[2])


@pytest.mark.parametrize("seed", range(25))
def test_bchlib_encodes_and_corrects_the_same(seed: int) -> None:
    random = np.random.default_rng(seed)
    m = int(random.integers(5, 16))
    polynomial = int(random.choice(gf2poly.primitive_polynomials(m)))
    t = int(random.integers(1, min(64, (2**m - 9) // (2 * m) + 1) + 1))
    code = BchCode(m, polynomial, t)
    length = int(random.integers(1, (code.length - code.parity_bits) // 8 + 1))
    theirs = bchlib.BCH(t=t, m=m, prim_poly=polynomial)
    messages = random.integers(0, 256, (4, length), dtype=np.uint8)
    parity = code.encode(messages)
    received = np.hstack([messages, parity])
    for count, (message, own, row) in enumerate(zip(messages, parity, received, strict=True)):
        # bchlib always holds ceil(m t / 8) bytes, also where the generator's degree is less than m t.
        assert bytes(theirs.encode(message.tobytes())) == own.tobytes().ljust(theirs.ecc_bytes, b"\0")
        bits = 8 * length + code.parity_bits
        flips = random.choice(bits, (0, 1, t // 2, t)[count], replace=False)
        np.bitwise_xor.at(row, flips // 8, (128 >> flips % 8).astype(np.uint8))
    decoded = code.decode(received, length)
    for row, corrected, errors in zip(received, decoded.words, decoded.errors, strict=True):
        data, ecc = bytearray(row[:length].tobytes()), bytearray(row[length:].tobytes().ljust(theirs.ecc_bytes, b"\0"))
        assert theirs.decode(data, ecc) == errors
        theirs.correct(data, ecc)
        assert bytes(data + ecc)[: corrected.size] == corrected.tobytes()


@pytest.mark.parametrize(("m", "polynomial", "t", "first_root"), [(6, 0x43, 3, 1), (6, 0x61, 2, 0), (5, 0x37, 2, 3)])
def test_galois_builds_and_decodes_the_same(m: int, polynomial: int, t: int, first_root: int) -> None:
    code = BchCode(m, polynomial, t, first_root)
    # Without compiling: its kernels take ten seconds per field.
    field = galois.GF(2**m, irreducible_poly=galois.Poly.Int(polynomial), compile="python-calculate")
    theirs = galois.BCH(code.length, d=2 * t + 1, extension_field=field, alpha=field.primitive_element, c=first_root)
    assert int(theirs.generator_poly) == code.generator
    random = np.random.default_rng(m)
    messages = random.integers(0, 256, (t + 1, 1), dtype=np.uint8)
    sent = np.hstack([messages, code.encode(messages)])
    bits = np.unpackbits(sent, axis=1)[:, : 8 + code.parity_bits]
    assert np.array_equal(theirs.encode(galois.GF2(np.unpackbits(messages, axis=1))), bits)
    for count, row in enumerate(bits):
        row[random.choice(row.size, count, replace=False)] ^= 1
    ours = code.decode(np.packbits(bits, axis=1), 1)
    corrected, errors = theirs.decode(galois.GF2(bits), errors=True)
    assert ours.errors.tolist() == np.asarray(errors).tolist() == list(range(t + 1))
    assert np.array_equal(ours.words[:, :1], np.packbits(np.asarray(corrected), axis=1))


def test_linux_defaults_reach_every_field() -> None:
    for m, polynomial in PRIMITIVE_DEFAULTS.items():
        message = counting(max(1, 2**m // 32))
        theirs = bchlib.BCH(t=2, m=m, prim_poly=polynomial)
        assert BchCode(m, polynomial, 2).encode(message)[0].tobytes() == bytes(theirs.encode(message.tobytes()))
