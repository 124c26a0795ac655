"""Published shift registers, keystreams, CRC check values and failure rates of codes."""

import math
import zlib
from fractions import Fraction

import numpy as np
import pytest

from deadstick.codes import gf2poly
from deadstick.codes.crc import CRC16_ARC, CRC16_CCITT, CRC32_ISO_HDLC, CRC32C, ONFI_CRC16, Crc
from deadstick.codes.lfsr import Lfsr, berlekamp_massey
from deadstick.codes.probability import failure_probability

# P. Alfke, "Efficient shift registers, LFSR counters, and long pseudo-random sequence generators", Xilinx XAPP052
# v1.1 (1996), table 3: the other taps beside n. The rows of 32 and 63 were read there, the rest is from memory; that
# every row is maximal is the check.
XAPP052 = """
8:6,5,4 9:5 10:7 11:9 12:6,4,1 13:4,3,1 14:5,3,1 15:14 16:15,13,4 17:14 18:11 19:6,2,1 20:17 21:19 22:21 23:18
24:23,22,17 25:22 26:6,2,1 27:5,2,1 28:25 29:27 30:6,4,1 31:28 32:22,2,1 33:20 34:27,2,1 35:33 36:25 37:5,4,3,2,1
38:6,5,1 39:35 40:38,21,19 41:38 42:41,20,19 43:42,38,37 44:43,18,17 45:44,42,41 46:45,26,25 47:42 48:47,21,20
49:40 50:49,24,23 51:50,36,35 52:49 53:52,38,37 54:53,18,17 55:31 56:55,35,34 57:50 58:39 59:58,38,37 60:59
61:60,46,45 62:61,6,5 63:62 64:63,61,60
"""


@pytest.mark.parametrize("row", XAPP052.split(), ids=lambda row: row.split(":")[0])
def test_every_tap_row_is_maximal(row: str) -> None:
    width, taps = row.split(":")
    polynomial = sum(1 << int(tap) for tap in [width, *taps.split(","), "0"])
    register = Lfsr(polynomial)
    assert register.period() == 2 ** int(width) - 1
    assert gf2poly.is_primitive(gf2poly.reciprocal(polynomial))
    assert register.advance(1, register.period()) == 1


# Linux and U-Boot sunxi_nand.c: s' = (s >> 1) | (((s ^ (s >> 1)) & 1) << 14), 15 steps after loading the page's
# seed; seeds and the published tables of states 512 and 1024 bytes further on, entries 0 to 3.
SOC = Lfsr(0b1000_0000_0000_0011)
SEEDS = [0x2B75, 0x0BD0, 0x5CA3, 0x62D1]


def test_the_register_of_a_soc_driver() -> None:
    assert SOC.period() == 32767
    state = 0x2B75
    assert SOC.advance(state, 1) == (state >> 1) | (((state ^ (state >> 1)) & 1) << 14)


@pytest.mark.parametrize(
    ("skip", "states"), [(512, [0x3346, 0x367F, 0x1F18, 0x769A]), (1024, [0x2CF5, 0x35F1, 0x63A4, 0x5274])]
)
def test_states_further_on(skip: int, states: list[int]) -> None:
    assert SOC.advance(np.array(SEEDS, np.uint64), 8 * skip + 15).tolist() == states


@pytest.mark.parametrize(
    ("seed", "stream"),
    [
        (0x2B75, "cf7ed4205f58383a92932dadddbd99b1"),
        (0x0BD0, "380e92846da36db9edb2cdb595b72f36"),
        (0x4A80, "c06f102c0c1dc5c99316edcecd9455af"),  # the seed of the boot image
    ],
)
def test_keystreams_of_the_soc(seed: int, stream: str) -> None:
    # Computed with the driver's own step function.
    loaded = np.array([SOC.advance(seed, 15)], np.uint64)
    keystream = SOC.keystream(loaded, 16)
    assert keystream.tobytes().hex() == stream
    found, complexity = berlekamp_massey(np.unpackbits(keystream[0], bitorder="little"))
    assert (found, complexity) == (SOC.polynomial, 15)


@pytest.mark.parametrize(
    ("crc", "data", "value"),
    [
        # U-Boot drivers/mtd/nand/raw/nand_base.c, onfi_crc16; ONFI 2.0, 5.6.1.43 and appendix A.
        (ONFI_CRC16, b"", 0x4F4E),
        (ONFI_CRC16, b"123456789", 0x2771),
        (ONFI_CRC16, bytes(254), 0x3EEE),
        (ONFI_CRC16, b"\xff" * 254, 0xC1E2),
        # UEFI specification, GUID partition table: CRC-32 of an empty table of 128 entries of 128 bytes.
        (CRC32_ISO_HDLC, bytes(16384), 0xAB54D286),
        # Catalogue of parametrised CRC algorithms; RFC 3720, appendix B.4 (CRC-32C).
        (CRC32_ISO_HDLC, b"123456789", 0xCBF43926),
        (CRC32C, b"123456789", 0xE3069283),
        (CRC32C, bytes(32), 0x8A9136AA),
        (CRC16_CCITT, b"123456789", 0x29B1),
        (CRC16_ARC, b"123456789", 0xBB3D),
        (Crc(8, 0x07), b"123456789", 0xF4),  # CRC-8/SMBUS
        (Crc(5, 0x05, 0x1F, reflect_in=True, reflect_out=True, final_xor=0x1F), b"123456789", 0x19),  # CRC-5/USB
        (Crc(64, 0x42F0E1EBA9EA3693), b"123456789", 0x6C40DF5F0B497347),  # CRC-64/ECMA-182
    ],
)
def test_crc_check_values(crc: Crc, data: bytes, value: int) -> None:
    assert crc.compute(data) == value


def test_crc32_agrees_with_zlib() -> None:

    data = np.random.default_rng(0).integers(0, 256, 100_000, dtype=np.uint8)
    assert CRC32_ISO_HDLC.compute(data) == zlib.crc32(data.tobytes())


# Exact binomial tails over the shortened length with parity, computed with rational arithmetic: probability of more
# than t errors in a step at raw bit error rates 1e-3 .. 5e-3.
RATES = [1e-3, 2e-3, 3e-3, 4e-3, 5e-3]
FAILURES = [
    (8 * 512 + 13 * 8, 8, [2.79e-2, 4.63e-1, 8.81e-1, 0.986, 0.999]),
    (8 * 1024 + 14 * 24, 24, [3.46e-6, 4.18e-2, 5.73e-1, 0.956, 0.999]),
    (8 * 1024 + 14 * 40, 40, [None, 1.14e-6, 4.57e-3, 1.75e-1, 6.83e-1]),
    (8 * 1024 + 14 * 60, 60, [None, None, 1.42e-8, 9.67e-5, 1.40e-2]),
]


@pytest.mark.parametrize(("bits", "t", "expected"), FAILURES)
def test_failure_probabilities(bits: int, t: int, expected: list[float | None]) -> None:
    for found, value in zip(failure_probability(bits, t, RATES), expected, strict=True):
        if value is None:
            assert found < 1e-12
        else:
            assert found == pytest.approx(value, rel=6e-3, abs=6e-4 if value > 0.9 else 0)


@pytest.mark.parametrize(("rate", "simulated"), [("0.06", 0.180), ("0.04", 7.75e-3), ("0.03", 3.90e-4)])
def test_failure_probability_is_the_exact_tail(rate: str, simulated: float) -> None:
    # AFF3CT error rate reference database, BCH (255, 131), t = 18 on the binary symmetric channel, about 100 frame
    # errors per point; its last point lies three standard deviations high. The exact tail is the judge.
    p = Fraction(rate)
    exact = float(sum(math.comb(255, k) * p**k * (1 - p) ** (255 - k) for k in range(19, 256)))
    found = float(failure_probability(255, 18, float(p)))
    assert found == pytest.approx(exact, rel=1e-9)
    assert found == pytest.approx(simulated, rel=0.3)


def test_failure_probability_at_its_ends() -> None:
    assert failure_probability(10, 10, [0.5, 1.0]).tolist() == [0, 0]
    assert failure_probability(3, 0, 0.5) == pytest.approx(7 / 8)
    with pytest.raises(ValueError, match="negative"):
        failure_probability(3, -1, 0.5)
