"""READ ID bytes of real chips beside what Linux drivers/mtd/nand/raw/nand_ids.c or their ONFI page says of them.

The general decode is known to be wrong for many of them; those rows are held here as wrong, so that nobody trusts it.
"""

import pytest

from deadstick.flash.read_id import IdInterpretation, decode_read_id

KI, MI = 1 << 10, 1 << 20


def by_rule(identity: str, rule: str, *, jedec_id: bool | None = None) -> IdInterpretation:
    (found,) = [r for r in decode_read_id(bytes.fromhex(identity), jedec_id=jedec_id) if r.rule == rule]
    return found


def shape(reading: IdInterpretation) -> tuple[int, int, int]:
    return reading.page_data, reading.page_spare, reading.block_bytes


def ecc(reading: IdInterpretation) -> tuple[int | None, int | None]:
    return reading.ecc_bits, reading.ecc_codeword_data


# U-Boot drivers/mtd/nand/raw/nand_base.c `nand_decode_ext_id`, applied to the ids of nand_ids.c and of two ONFI chips.
@pytest.mark.parametrize(
    ("chip", "identity", "decoded", "truth"),
    [
        ("TC58NVG0S3E", "98d190157614", (2 * KI, 64, 128 * KI), (2 * KI, 64, 128 * KI)),
        ("TC58NVG2S0F", "98dc90267615", (4 * KI, 128, 256 * KI), (4 * KI, 224, 256 * KI)),
        ("TC58NVG2S0H", "98dc90267616", (4 * KI, 128, 256 * KI), (4 * KI, 256, 256 * KI)),
        ("MT29F64G08AKABA", "2c48002689", (4 * KI, 128, 256 * KI), (4 * KI, 224, 512 * KI)),
        ("MT29F32G08CBACA", "2c68044aa9", (4 * KI, 64, 64 * KI), (4 * KI, 224, 1 * MI)),
    ],
)
def test_the_general_rule_and_where_it_is_wrong(
    chip: str, identity: str, decoded: tuple[int, int, int], truth: tuple[int, int, int]
) -> None:
    assert shape(by_rule(identity, "general")) == decoded
    assert (decoded == truth) == (chip == "TC58NVG0S3E")


# The rules of U-Boot nand_toshiba.c and Linux nand_hynix.c against the entries of nand_ids.c.
@pytest.mark.parametrize(
    ("identity", "rule", "truth", "correctable"),
    [
        ("98d190157614", "toshiba", (2 * KI, 64, 128 * KI), (1, 512)),
        ("98dc90267616", "toshiba", (4 * KI, 256, 256 * KI), (8, 512)),
        ("add794da74c3", "hynix", (8 * KI, 640, 2 * MI), (40, 1024)),
        ("adde94da74c4", "hynix", (8 * KI, 640, 2 * MI), (40, 1024)),
    ],
)
def test_vendor_rules_agree_with_the_list(
    identity: str, rule: str, truth: tuple[int, int, int], correctable: tuple[int, int]
) -> None:
    reading = by_rule(identity, rule, jedec_id=False)
    assert shape(reading) == truth
    assert ecc(reading) == correctable


def test_toshibas_rule_does_not_know_224_spare_bytes() -> None:
    reading = by_rule("98dc90267615", "toshiba")
    assert reading.page_spare == 128  # nand_ids.c says 224
    assert ecc(reading) == (4, 512)


def test_sources_disagree_about_the_ecc_of_one_chip() -> None:
    # H27QCG8T2E5R: the rule of nand_hynix.c gives 40 bits in 1024 bytes, nand_ids.c lists 56.
    rule = by_rule("adde14a7424a", "hynix-jedec", jedec_id=True)
    assert shape(rule) == (16 * KI, 1664, 4 * MI)
    assert ecc(rule) == (40, 1024)
    assert ecc(by_rule("adde14a7424a", "listed")) == (56, 1024)


@pytest.mark.parametrize(
    ("identity", "truth", "correctable"),
    [
        ("98d190157614", (2 * KI, 64, 128 * KI), (1, 512)),
        ("98dc90267615", (4 * KI, 224, 256 * KI), (4, 512)),
        ("98dc90267616", (4 * KI, 256, 256 * KI), (8, 512)),
        ("98de94827656", (8 * KI, 640, 2 * MI), (40, 1024)),
        ("add794da74c3", (8 * KI, 640, 2 * MI), (40, 1024)),
        ("adde94da74c4", (8 * KI, 640, 2 * MI), (40, 1024)),
        ("adde14a7424a", (16 * KI, 1664, 4 * MI), (56, 1024)),
    ],
)
def test_a_listed_id_comes_first(identity: str, truth: tuple[int, int, int], correctable: tuple[int, int]) -> None:
    first = decode_read_id(bytes.fromhex(identity))[0]
    assert first.rule == "listed"
    assert shape(first) == truth
    assert ecc(first) == correctable
