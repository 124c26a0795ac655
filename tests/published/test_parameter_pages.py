"""Parameter pages that others published, with the values their sources give."""

import hashlib
from dataclasses import asdict

import pytest

from deadstick.codes.crc import ONFI_CRC16
from deadstick.flash import onfi
from deadstick.flash.geometry import Geometry
from deadstick.flash.onfi import EccRequirement

# U-Boot arch/sandbox/dts/test.dts, node nand@1, property `sandbox,onfi`: a whole page of a real chip with its CRC.
MT29F64G08AKABA = bytes.fromhex(
    "4f4e46490e005a00ff0100000000030000000000000000000000000000000000"
    "4d4943524f4e2020202020204d543239463634473038414b4142414335202020"
    "2c00000000000000000000000000000000100000e000000200001c0080000000"
    "0010000002230150000105010000040004011e00000000000000000000000000"
    "0e1f001f00f401ac0d1900c8000000000000000000000a071900000000000000"
    "0000000001000100000004100181040202011e90000000000000000000000000"
    "0000000000000000000000000000000000000000000000000000000000000000"
    "000000000000000000000000000000000000000000000000000000000003207d"
)


def w25n01gv() -> bytes:
    """Body of the W25N01GV's page as a public unit test quotes the data sheet; that source gives no CRC."""
    page = bytearray(256)
    page[:4] = b"ONFI"
    page[8] = 0x02
    page[32:44] = b"WINBOND     "
    page[44:64] = b"W25N01GV".ljust(20)
    page[64] = 0xEF
    page[80:84] = (2048).to_bytes(4, "little")
    page[84:86] = (64).to_bytes(2, "little")
    page[92:96] = (64).to_bytes(4, "little")
    page[96:100] = (1024).to_bytes(4, "little")
    page[100] = 1
    page[102] = 1
    page[103] = 0x14
    page[105:108] = bytes.fromhex("010501")
    page[110] = 4
    page[128] = 8
    page[133:139] = bytes.fromhex("BC0210273200")
    return bytes(page)


# Initial value, polynomial and order of bits: U-Boot drivers/mtd/nand/raw/nand_base.c `onfi_crc16`,
# include/linux/mtd/onfi.h ONFI_CRC_BASE; ONFI 2.0, section 5.6.1.43. The values were recomputed independently.
@pytest.mark.parametrize(
    ("data", "crc"),
    [(b"", 0x4F4E), (b"123456789", 0x2771), (bytes(254), 0x3EEE), (b"\xff" * 254, 0xC1E2)],
)
def test_crc_check_values(data: bytes, crc: int) -> None:
    assert ONFI_CRC16.compute(data) == crc


def test_a_published_page_has_the_crc_that_it_carries() -> None:
    digest = "856a18df8a29002a6bcdc0c7039aedf7c5637641a096573171b486e4eac0228e"
    assert hashlib.sha256(MT29F64G08AKABA).hexdigest() == digest
    page = onfi.parse_parameter_page(MT29F64G08AKABA)
    assert page.crc_valid
    assert page.crc_stored == page.crc_computed == 0x7D20


def test_every_field_of_a_published_page() -> None:
    # The values follow from the bytes above and the offsets of include/linux/mtd/onfi.h.
    page = asdict(onfi.parse_parameter_page(MT29F64G08AKABA * 3))
    expected = {
        "copy": 0,
        "revision": 0x000E,
        "features": 0x005A,
        "optional_commands": 0x01FF,
        "parameter_pages": 3,
        "manufacturer": "MICRON",
        "model": "MT29F64G08AKABAC5",
        "jedec_manufacturer_id": 0x2C,
        "data_bytes_per_page": 4096,
        "spare_bytes_per_page": 224,
        "data_bytes_per_partial_page": 512,
        "spare_bytes_per_partial_page": 28,
        "pages_per_block": 128,
        "blocks_per_lun": 4096,
        "luns": 2,
        "bits_per_cell": 1,
        "max_bad_blocks_per_lun": 80,
        "block_endurance": 100_000,
        "ecc": ({"bits": 4, "codeword_data": 512, "max_bad_blocks_per_lun": 0, "block_endurance": 0},),
        "t_prog_us": 500,
        "t_bers_us": 3500,
        "t_r_us": 25,
        "t_ccs_ns": 200,
        "extended_crc_valid": None,
    }
    assert {name: page[name] for name in expected} == expected


def test_the_geometry_of_a_published_page() -> None:
    # 4 GiB behind each chip enable; the `pages` property of the same node in test.dts says twice as much.
    shape = onfi.parse_parameter_page(MT29F64G08AKABA).geometry()
    assert shape == Geometry(page_data=4096, page_spare=224, pages_per_block=128, blocks=8192, planes=2)
    assert shape.pages == 1_048_576
    assert shape.pages * shape.page_data == 4_294_967_296


def test_one_flipped_bit_makes_the_crc_wrong() -> None:
    damaged = bytearray(MT29F64G08AKABA)
    damaged[80] ^= 1
    page = onfi.parse_parameter_page(bytes(damaged))
    assert not page.crc_valid
    assert page.crc_computed == 0x306A
    assert page.crc_stored == 0x7D20
    assert page.data_bytes_per_page == 4097  # shown as it stands: the flag says what it is worth


def test_a_page_quoted_from_a_data_sheet() -> None:
    body = w25n01gv()
    assert ONFI_CRC16.compute(body[:254]) == 0x3D0F  # recomputed independently; not in the source
    page = onfi.parse_parameter_page(body[:254] + bytes.fromhex("0F3D"))
    assert page.crc_valid
    assert (page.manufacturer, page.model, page.jedec_manufacturer_id) == ("WINBOND", "W25N01GV", 0xEF)
    assert page.geometry() == Geometry(page_data=2048, page_spare=64, pages_per_block=64, blocks=1024)
    assert (page.max_bad_blocks_per_lun, page.block_endurance, page.programs_per_page) == (20, 100_000, 4)
    assert (page.t_prog_us, page.t_bers_us, page.t_r_us) == (700, 10_000, 50)


def test_an_extended_page_like_that_of_a_published_log() -> None:
    # MT29F32G08CBACAWP, from a public bring-up log: byte 112 is 0xFF, the extended page has 3 x 16 bytes and asks for
    # 24 bits in 1024 bytes; endurance bytes 03 03. Layout: include/linux/mtd/onfi.h `struct onfi_ext_param_page`.
    # The log gives figures, not bytes, so the CRCs 0x6BCA and 0x71BC of that chip cannot be checked here.
    page = bytearray(256)
    page[:4] = b"ONFI"
    page[6] = 0x80
    page[12] = 3
    page[14] = 3
    page[80:84] = (4096).to_bytes(4, "little")
    page[84:86] = (224).to_bytes(2, "little")
    page[92:96] = (256).to_bytes(4, "little")
    page[96:100] = (4096).to_bytes(4, "little")
    page[100] = 1
    page[105:107] = bytes.fromhex("0303")
    page[112] = 0xFF
    page[254:] = ONFI_CRC16.compute(bytes(page[:254])).to_bytes(2, "little")
    extended = bytearray(48)
    extended[2:6] = b"EPPS"
    extended[16:18] = bytes([2, 1])  # section type 2 is ECC, one unit of 16 bytes
    extended[32:34] = bytes([24, 10])
    extended[:2] = ONFI_CRC16.compute(bytes(extended[2:])).to_bytes(2, "little")

    read = onfi.parse_parameter_page(bytes(page) * 3 + bytes(extended) * 3)
    assert read.extended_page_bytes == 48
    assert read.extended_crc_valid
    assert read.ecc == (EccRequirement(bits=24, codeword_data=1024),)
    assert read.block_endurance == 3000
    shape = read.geometry()
    assert shape.page_data * shape.pages_per_block == 1 << 20
    assert shape.page_data * shape.pages == 4 << 30
