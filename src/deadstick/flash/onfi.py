"""The ONFI parameter page: what a chip says about itself in answer to command ECh.

Layout: ONFI 2.0, section 5.6, and Linux include/linux/mtd/onfi.h, `struct nand_onfi_params` and
`struct onfi_ext_param_page`. 256 bytes, little-endian, at least three copies back to back; from ONFI 2.1 on an
extended page ("EPPS") may follow the copies. The CRC is CRC-16 with polynomial 0x8005 and initial value
0x4F4E, most significant bit first, over bytes 0 to 253.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from deadstick.codes.crc import ONFI_CRC16
from deadstick.flash._copies import choose_page, endurance, read_fields
from deadstick.flash.geometry import Geometry

PAGE_BYTES = 256
SIGNATURE = b"ONFI"
EXTENDED_SIGNATURE = b"EPPS"
HAS_EXTENDED_PAGE = 1 << 7
"""Bit of `features`: an extended parameter page follows the copies."""

# Offsets: Linux include/linux/mtd/onfi.h, summed from the packed struct.
_FIELDS: dict[str, tuple[int, str]] = {
    "revision": (4, "<u2"),
    "features": (6, "<u2"),
    "optional_commands": (8, "<u2"),
    "extended_page_units": (12, "<u2"),
    "parameter_pages": (14, "u1"),
    "manufacturer": (32, "S12"),
    "model": (44, "S20"),
    "jedec_manufacturer_id": (64, "u1"),
    "date_code": (65, "<u2"),
    "data_bytes_per_page": (80, "<u4"),
    "spare_bytes_per_page": (84, "<u2"),
    "data_bytes_per_partial_page": (86, "<u4"),
    "spare_bytes_per_partial_page": (90, "<u2"),
    "pages_per_block": (92, "<u4"),
    "blocks_per_lun": (96, "<u4"),
    "luns": (100, "u1"),
    "address_cycles": (101, "u1"),
    "bits_per_cell": (102, "u1"),
    "max_bad_blocks_per_lun": (103, "<u2"),
    "endurance_field": (105, "<u2"),
    "guaranteed_valid_blocks": (107, "u1"),
    "programs_per_page": (110, "u1"),
    "partial_programming_attributes": (111, "u1"),
    "ecc_bits": (112, "u1"),
    "interleaved_address_bits": (113, "u1"),
    "interleaved_operation_attributes": (114, "u1"),
    "sdr_timing_modes": (129, "<u2"),
    "t_prog_us": (133, "<u2"),
    "t_bers_us": (135, "<u2"),
    "t_r_us": (137, "<u2"),
    "t_ccs_ns": (139, "<u2"),
    "vendor_revision": (164, "<u2"),
}
_DTYPE = np.dtype(
    {
        "names": list(_FIELDS),
        "offsets": [offset for offset, _ in _FIELDS.values()],
        "formats": [kind for _, kind in _FIELDS.values()],
        "itemsize": PAGE_BYTES,
    }
)
_NOT_IN_PAGE = 0xFF
"""Value of the ECC byte that sends the reader to the extended page."""
# The extended page: CRC (2), "EPPS" (4), reserved (10), eight pairs (type, length in 16 B), then the sections.
_SECTION_LIST = slice(16, 32)
_UNIT = 16
_SECTION_ECC = 2


@dataclass(frozen=True, slots=True)
class EccRequirement:
    """Bits that the host must be able to correct in each codeword.

    Attributes:
        bits: Correctable bits in one codeword.
        codeword_data: Data bytes of the codeword.
        max_bad_blocks_per_lun: Bad blocks over the life of a LUN if this is met; 0 where not said.
        block_endurance: Program/erase cycles if this is met; 0 where not said.
    """

    bits: int
    codeword_data: int
    max_bad_blocks_per_lun: int = 0
    block_endurance: int = 0


@dataclass(frozen=True, slots=True)
class OnfiParameters:
    """An ONFI parameter page. Field names follow the standard's text; times are maxima.

    Attributes:
        crc_valid: Whether the CRC of the page in use is right. If not, every field is doubtful.
        crc_stored: The CRC that stands in the page.
        crc_computed: The CRC of bytes 0 to 253.
        copy: Which copy was used, from 0; -1 if no copy was whole and the page is their bitwise majority.
        block_endurance: Program/erase cycles.
        ecc: What the page and its extended page ask for; empty where the chip does not say.
        extended_crc_valid: Whether the extended page in use is whole; None if the chip has none or it was not
            in the bytes given.
    """

    crc_valid: bool
    crc_stored: int
    crc_computed: int
    copy: int
    revision: int
    features: int
    optional_commands: int
    extended_page_bytes: int
    parameter_pages: int
    manufacturer: str
    model: str
    jedec_manufacturer_id: int
    date_code: int
    data_bytes_per_page: int
    spare_bytes_per_page: int
    data_bytes_per_partial_page: int
    spare_bytes_per_partial_page: int
    pages_per_block: int
    blocks_per_lun: int
    luns: int
    column_address_cycles: int
    row_address_cycles: int
    bits_per_cell: int
    max_bad_blocks_per_lun: int
    block_endurance: int
    guaranteed_valid_blocks: int
    programs_per_page: int
    partial_programming_attributes: int
    interleaved_address_bits: int
    interleaved_operation_attributes: int
    sdr_timing_modes: int
    t_prog_us: int
    t_bers_us: int
    t_r_us: int
    t_ccs_ns: int
    vendor_revision: int
    ecc: tuple[EccRequirement, ...]
    extended_crc_valid: bool | None

    def geometry(self, targets: int = 1) -> Geometry:
        """The shape of the chip, for `targets` chip enables alike.

        Raises:
            ValueError: A dimension is impossible, as in a page whose CRC is wrong.
        """
        return Geometry(
            page_data=self.data_bytes_per_page,
            page_spare=self.spare_bytes_per_page,
            pages_per_block=self.pages_per_block,
            blocks=self.blocks_per_lun * self.luns,
            planes=1 << (self.interleaved_address_bits & 0x0F),
            targets=targets,
        )


def parse_parameter_page(data: bytes) -> OnfiParameters:
    """Read the copies of a parameter page, and the extended page if it follows.

    The first copy with a valid CRC is used; else the bitwise majority of the first three copies, with
    `crc_valid` telling whether that is whole.

    Args:
        data: The answer to command ECh from its first byte on; at least one copy of 256 bytes.

    Raises:
        InputError: Less than one copy, or nothing begins with "ONFI".
    """
    page = choose_page(data, SIGNATURE, PAGE_BYTES)
    values: dict[str, Any] = read_fields(page.data, _DTYPE)
    cycles = values.pop("address_cycles")
    extended_bytes = values.pop("extended_page_units") * _UNIT
    ecc, extended_crc_valid = _ecc(data, values, values.pop("ecc_bits"), extended_bytes)
    return OnfiParameters(
        crc_valid=page.crc_valid,
        crc_stored=page.crc_stored,
        crc_computed=page.crc_computed,
        copy=page.copy,
        extended_page_bytes=extended_bytes,
        # Which nibble is which: from memory of ONFI 2.0, section 5.6.1.24.
        column_address_cycles=cycles >> 4,
        row_address_cycles=cycles & 0x0F,
        block_endurance=endurance(values.pop("endurance_field")),
        ecc=ecc,
        extended_crc_valid=extended_crc_valid,
        **values,
    )


def _ecc(
    data: bytes, values: dict[str, Any], ecc_bits: int, extended_bytes: int
) -> tuple[tuple[EccRequirement, ...], bool | None]:
    own = () if ecc_bits == _NOT_IN_PAGE else (EccRequirement(ecc_bits, 512),)
    if not values["features"] & HAS_EXTENDED_PAGE or extended_bytes < _SECTION_LIST.stop:
        return own, None
    start = values["parameter_pages"] * PAGE_BYTES
    copies = [
        data[at : at + extended_bytes]
        for at in range(start, len(data) - extended_bytes + 1, extended_bytes)
        if data[at + 2 : at + 6] == EXTENDED_SIGNATURE
    ]
    if not copies:
        return own, None
    for copy in copies:
        if int.from_bytes(copy[:2], "little") == ONFI_CRC16.compute(copy[2:]):
            return own + _ecc_sections(copy), True
    return own, False


def _ecc_sections(page: bytes) -> tuple[EccRequirement, ...]:
    """The ECC sections of a whole extended page (Linux include/linux/mtd/onfi.h, `struct onfi_ext_ecc_info`)."""
    found = []
    at = _SECTION_LIST.stop
    pairs = page[_SECTION_LIST]
    for kind, units in zip(pairs[::2], pairs[1::2], strict=True):
        section = page[at : at + units * _UNIT]
        at += units * _UNIT
        if kind == _SECTION_ECC and len(section) >= 6 and section[1] < 32:
            found.append(
                EccRequirement(
                    bits=section[0],
                    codeword_data=1 << section[1],
                    max_bad_blocks_per_lun=int.from_bytes(section[2:4], "little"),
                    block_endurance=endurance(int.from_bytes(section[4:6], "little")),
                )
            )
    return tuple(found)
