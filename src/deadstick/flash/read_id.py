"""READ ID (command 90h): what the identity bytes say about page, spare area and block.

The bytes beyond the second have no standard meaning. The general rule is right for many old chips and wrong for
many newer ones; vendors have rules of their own. So the answer is a ranked list, and **a valid ONFI or JEDEC
parameter page must win over it**: MT29F64G08AKABA, id 2c 48 00 26 89, decodes to 128 spare bytes and 256 KiB
blocks, while its ONFI page says 224 spare bytes and 512 KiB blocks.

Sources: U-Boot drivers/mtd/nand/raw/nand_base.c `nand_decode_ext_id` and `nand_id_len`; nand_toshiba.c,
nand_samsung.c, nand_hynix.c beside it; Linux drivers/mtd/nand/raw/nand_hynix.c and nand_ids.c.
"""

from collections.abc import Iterator
from dataclasses import dataclass

_KI = 1 << 10
_MI = 1 << 20

HYNIX, SAMSUNG, TOSHIBA = 0xAD, 0xEC, 0x98


@dataclass(frozen=True, slots=True)
class IdInterpretation:
    """One reading of the identity bytes.

    Attributes:
        page_data: Bytes of the data area of a page.
        page_spare: Bytes of the spare area of a page.
        block_bytes: Data bytes of a block; its spare bytes are not in this figure.
        bits_per_cell: Bits that one cell holds.
        bus_bits: Width of the data bus, 8 or 16.
        rule: Which rule gave this: "listed", "toshiba", "samsung", "hynix-jedec", "hynix" or "general".
        note: What speaks for it or against it, in one line.
        ecc_bits: Bits to correct in each codeword, or None where the rule does not say.
        ecc_codeword_data: Data bytes of such a codeword, or None.
    """

    page_data: int
    page_spare: int
    block_bytes: int
    bits_per_cell: int
    bus_bits: int
    rule: str
    note: str
    ecc_bits: int | None = None
    ecc_codeword_data: int | None = None

    @property
    def pages_per_block(self) -> int:
        """Pages of one block."""
        return self.block_bytes // self.page_data


# Linux drivers/mtd/nand/raw/nand_ids.c, entries with a full id: page, spare, block, ECC bits, per bytes.
_LISTED: dict[bytes, tuple[str, int, int, int, int, int]] = {
    bytes.fromhex("98d190157614"): ("TC58NVG0S3E", 2 * _KI, 64, 128 * _KI, 1, 512),
    bytes.fromhex("98dc90267615"): ("TC58NVG2S0F", 4 * _KI, 224, 256 * _KI, 4, 512),
    bytes.fromhex("98dc90267616"): ("TC58NVG2S0H", 4 * _KI, 256, 256 * _KI, 8, 512),
    bytes.fromhex("98de94827656"): ("TC58NVG6D2", 8 * _KI, 640, 2 * _MI, 40, 1024),
    bytes.fromhex("add794da74c3"): ("H27UBG8T2BTR", 8 * _KI, 640, 2 * _MI, 40, 1024),
    bytes.fromhex("adde94da74c4"): ("H27UCG8T2ATR", 8 * _KI, 640, 2 * _MI, 40, 1024),
    bytes.fromhex("adde14a7424a"): ("H27QCG8T2E5R", 16 * _KI, 1664, 4 * _MI, 56, 1024),
}
_SAMSUNG_SPARE = {1: 128, 2: 218, 3: 400, 4: 436, 5: 512, 6: 640}
_SAMSUNG_ECC = {5: (24, 1024), 6: (40, 1024), 7: (60, 1024)}
_HYNIX_SPARE = {0: 128, 1: 224, 2: 448, 3: 64, 4: 32, 5: 16, 6: 640}
_HYNIX_JEDEC_SPARE = {0: 2048, 1: 1664, 2: 1024, 3: 640}
# Levels other than 4: from memory of Linux nand_hynix.c `hynix_nand_extract_ecc_requirements`.
_HYNIX_JEDEC_ECC = {1: (4, 1024), 2: (24, 1024), 3: (32, 1024), 4: (40, 1024), 5: (50, 1024), 6: (60, 1024)}
_TOSHIBA_ECC = {4: (1, 512), 5: (4, 512), 6: (8, 512)}


def decode_read_id(id_bytes: bytes, *, jedec_id: bool | None = None) -> tuple[IdInterpretation, ...]:
    """Interpret the answer to READ ID at address 00h, the likeliest reading first.

    A full id that is listed comes first, then the vendor's rule, then the general rule. Use a valid parameter
    page instead wherever the chip has one.

    Args:
        id_bytes: The bytes as read, maker first; repeated and trailing zero bytes are cut off here.
        jedec_id: Whether READ ID at address 40h gives "JEDEC"; None if nobody asked the chip. It changes the
            meaning of the bytes of Hynix chips.

    Returns:
        Interpretations in falling rank; none if the chip did not answer (all 00 or all FF), or for chips
        with pages of 512 bytes, whose two bytes say nothing about size.

    Raises:
        ValueError: `id_bytes` is empty.

    >>> for reading in decode_read_id(bytes.fromhex("98dc90267616")):
    ...     print(reading.rule, reading.page_data, reading.page_spare, reading.pages_per_block)
    listed 4096 256 64
    toshiba 4096 256 64
    general 4096 128 64
    """
    if not id_bytes:
        raise ValueError("READ ID gives at least one byte; give the bytes as they were read.")
    identity = id_bytes[: id_length(id_bytes)]
    if len(identity) < 4:
        return ()
    general = _general(identity)
    return (*_listed(identity, general), *_vendor(identity, general, jedec_id), general)


def id_length(id_bytes: bytes) -> int:
    """Bytes of the identity proper: chips repeat them, or go on with zeros (U-Boot `nand_id_len`).

    >>> id_length(bytes.fromhex("98d19015761498d1")), id_length(bytes.fromhex("2c68044aa90000"))
    (6, 5)
    """
    meaningful = len(id_bytes.rstrip(b"\0"))
    if meaningful == 0:
        return 0
    # Two bytes at least must repeat: a last byte that equals the first one proves nothing.
    for period in range(1, len(id_bytes) - 1):
        if id_bytes[period:] == id_bytes[:-period]:
            return period
    return meaningful


def _general(identity: bytes) -> IdInterpretation:
    extended = identity[3]
    page = 1024 << (extended & 3)
    return IdInterpretation(
        page_data=page,
        page_spare=(8 << ((extended >> 2) & 1)) * (page // 512),
        block_bytes=64 * _KI << ((extended >> 4) & 3),
        bits_per_cell=((identity[2] >> 2) & 3) + 1,
        bus_bits=16 if extended & 0x40 else 8,
        rule="general",
        note="the rule for chips without one of their own; often wrong for MLC chips and large spare areas",
    )


def _listed(identity: bytes, general: IdInterpretation) -> Iterator[IdInterpretation]:
    entry = _LISTED.get(identity[:6])
    if entry is not None:
        name, page, spare, block, ecc_bits, ecc_data = entry
        yield IdInterpretation(
            page_data=page,
            page_spare=spare,
            block_bytes=block,
            bits_per_cell=general.bits_per_cell,
            bus_bits=8,
            rule="listed",
            note=f"the full id of {name} in Linux nand_ids.c",
            ecc_bits=ecc_bits,
            ecc_codeword_data=ecc_data,
        )


def _vendor(identity: bytes, general: IdInterpretation, jedec_id: bool | None) -> Iterator[IdInterpretation]:
    if len(identity) < 6:
        return
    single_level = general.bits_per_cell == 1
    if identity[0] == TOSHIBA and single_level:
        yield _toshiba(identity, general)
    if identity[0] == SAMSUNG and not single_level and identity[5] != 0:
        yield from _samsung(identity, general)
    if identity[0] == HYNIX and not single_level:
        if jedec_id is not False:
            yield from _hynix(identity, general, jedec=True)
        if not jedec_id:
            yield from _hynix(identity, general, jedec=False)


def _toshiba(identity: bytes, general: IdInterpretation) -> IdInterpretation:
    level = identity[5] & 7
    # 24 nm chips: 32 spare bytes per 512, unless the chip corrects by itself (bit 7 of the fifth byte).
    wide = level == 6 and not identity[4] & 0x80
    ecc_bits, ecc_data = _TOSHIBA_ECC.get(level, (None, None))
    return IdInterpretation(
        page_data=general.page_data,
        page_spare=32 * general.page_data // 512 if wide else general.page_spare,
        block_bytes=general.block_bytes,
        bits_per_cell=1,
        bus_bits=general.bus_bits,
        rule="toshiba",
        note="Toshiba's rule for SLC chips; 4 KiB pages with 224 spare bytes are not known to it",
        ecc_bits=ecc_bits,
        ecc_codeword_data=ecc_data,
    )


def _samsung(identity: bytes, general: IdInterpretation) -> Iterator[IdInterpretation]:
    extended, level = identity[3], (identity[4] >> 4) & 7
    spare = _SAMSUNG_SPARE.get(((extended >> 4) & 4) | ((extended >> 2) & 3))
    if spare is not None:
        ecc_bits, ecc_data = _SAMSUNG_ECC.get(level, (1 << level, 512))
        yield IdInterpretation(
            page_data=2048 << (extended & 3),
            page_spare=spare,
            block_bytes=128 * _KI << (((extended >> 5) & 4) | ((extended >> 4) & 3)),
            bits_per_cell=general.bits_per_cell,
            bus_bits=8,
            rule="samsung",
            note="Samsung's rule for chips with six id bytes and more than one bit per cell",
            ecc_bits=ecc_bits,
            ecc_codeword_data=ecc_data,
        )


def _hynix(identity: bytes, general: IdInterpretation, *, jedec: bool) -> Iterator[IdInterpretation]:
    extended = identity[3]
    page = 2048 << (extended & 3)
    index = ((extended >> 4) & 4) | ((extended >> 2) & 3)
    spare = (_HYNIX_JEDEC_SPARE if jedec else _HYNIX_SPARE).get(index)
    if spare is None:
        return
    if not jedec and identity[1] == 0xDE:
        spare = spare * page // (8 * _KI)
    size = (extended >> 4) & 3
    small = 768 * _KI if size == 3 else 128 * _KI << size
    ecc = _hynix_ecc(identity, jedec=jedec)
    yield IdInterpretation(
        page_data=page,
        page_spare=spare,
        block_bytes=_MI << size if extended & 0x80 else small,
        bits_per_cell=general.bits_per_cell,
        bus_bits=8,
        rule="hynix-jedec" if jedec else "hynix",
        note=(
            "Hynix's rule if READ ID at 40h gives JEDEC; its ECC figure is lower than nand_ids.c for H27QCG8T2E5R"
            if jedec
            else "Hynix's rule if READ ID at 40h does not give JEDEC"
        ),
        ecc_bits=None if ecc is None else ecc[0],
        ecc_codeword_data=None if ecc is None else ecc[1],
    )


def _hynix_ecc(identity: bytes, *, jedec: bool) -> tuple[int, int] | None:
    level = (identity[4] >> 4) & 7
    if jedec:
        return _HYNIX_JEDEC_ECC.get(level)
    if identity[5] & 7 < 3:
        # Above 26 nm; from memory of Linux nand_hynix.c.
        return {5: (24, 2048), 6: (24, 1024)}.get(level, (1 << level, 512) if level < 5 else None)
    if level < 5:
        return (1 << (level - 1), 512) if level else None
    return 24 + 8 * (level - 5), 1024
