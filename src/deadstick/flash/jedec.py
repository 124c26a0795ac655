"""The JEDEC (JESD230) parameter page, which chips with a toggle interface give in place of the ONFI page.

Layout: Linux include/linux/mtd/jedec.h, `struct nand_jedec_params`. 512 bytes, little-endian, copies back to back,
with the same CRC as ONFI over bytes 0 to 509 (Linux drivers/mtd/nand/raw/nand_jedec.c).
"""

from dataclasses import dataclass
from typing import Any

import numpy as np

from deadstick.flash._copies import choose_page, endurance, read_fields
from deadstick.flash.geometry import Geometry
from deadstick.flash.onfi import EccRequirement

PAGE_BYTES = 512
SIGNATURE = b"JESD"

_FIELDS: dict[str, tuple[int, str]] = {
    "revision": (4, "<u2"),
    "features": (6, "<u2"),
    "secondary_commands": (11, "<u2"),
    "parameter_pages": (13, "u1"),
    "manufacturer": (32, "S12"),
    "model": (44, "S20"),
    "jedec_manufacturer_id": (64, "u1"),
    "data_bytes_per_page": (80, "<u4"),
    "spare_bytes_per_page": (84, "<u2"),
    "pages_per_block": (92, "<u4"),
    "blocks_per_lun": (96, "<u4"),
    "luns": (100, "u1"),
    "address_cycles": (101, "u1"),
    "bits_per_cell": (102, "u1"),
    "programs_per_page": (103, "u1"),
    "multi_plane_addressing": (104, "u1"),
    "guaranteed_valid_blocks": (208, "u1"),
    "guaranteed_block_endurance": (209, "<u2"),
    "vendor_revision": (420, "<u2"),
}
_DTYPE = np.dtype(
    {
        "names": list(_FIELDS),
        "offsets": [offset for offset, _ in _FIELDS.values()],
        "formats": [kind for _, kind in _FIELDS.values()],
        "itemsize": PAGE_BYTES,
    }
)
_OPTIONAL_COMMANDS = slice(8, 11)
_ECC_BLOCKS = range(211, 243, 8)


@dataclass(frozen=True, slots=True)
class JedecParameters:
    """A JEDEC parameter page.

    Attributes:
        crc_valid: Whether the CRC of the page in use is right. If not, every field is doubtful.
        crc_stored: The CRC that stands in the page.
        crc_computed: The CRC of bytes 0 to 509.
        copy: Which copy was used, from 0; -1 if no copy was whole and the page is their bitwise majority.
        address_cycles: The byte as it stands.
        guaranteed_block_endurance: Program/erase cycles of the blocks that are guaranteed good.
        ecc: The filled ones of the four ECC blocks.
    """

    crc_valid: bool
    crc_stored: int
    crc_computed: int
    copy: int
    revision: int
    features: int
    optional_commands: int
    secondary_commands: int
    parameter_pages: int
    manufacturer: str
    model: str
    jedec_manufacturer_id: int
    data_bytes_per_page: int
    spare_bytes_per_page: int
    pages_per_block: int
    blocks_per_lun: int
    luns: int
    address_cycles: int
    bits_per_cell: int
    programs_per_page: int
    multi_plane_addressing: int
    guaranteed_valid_blocks: int
    guaranteed_block_endurance: int
    vendor_revision: int
    ecc: tuple[EccRequirement, ...]

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
            # The low nibble counts plane address bits: from memory of JESD230.
            planes=1 << (self.multi_plane_addressing & 0x0F),
            targets=targets,
        )


def parse_parameter_page(data: bytes) -> JedecParameters:
    """Read the copies of a JEDEC parameter page; the copy is chosen as for ONFI.

    Args:
        data: The answer to command ECh at address 40h from its first byte on; at least one copy of 512 bytes.

    Raises:
        InputError: Less than one copy, or nothing begins with "JESD".
    """
    page = choose_page(data, SIGNATURE, PAGE_BYTES)
    values: dict[str, Any] = read_fields(page.data, _DTYPE)
    return JedecParameters(
        crc_valid=page.crc_valid,
        crc_stored=page.crc_stored,
        crc_computed=page.crc_computed,
        copy=page.copy,
        optional_commands=int.from_bytes(page.data[_OPTIONAL_COMMANDS], "little"),
        guaranteed_block_endurance=endurance(values.pop("guaranteed_block_endurance")),
        ecc=tuple(_ecc_block(page.data[at : at + 8]) for at in _ECC_BLOCKS if 0 < page.data[at + 1] < 32),
        **values,
    )


def _ecc_block(block: bytes) -> EccRequirement:
    return EccRequirement(
        bits=block[0],
        codeword_data=1 << block[1],
        max_bad_blocks_per_lun=int.from_bytes(block[2:4], "little"),
        block_endurance=endurance(int.from_bytes(block[4:6], "little")),
    )
