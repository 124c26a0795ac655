import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from deadstick.flash.read_id import decode_read_id, id_length

KI = 1 << 10


@pytest.mark.parametrize(
    ("id_bytes", "length"),
    [
        ("0000000000000000", 0),
        ("ffffffffffffffff", 1),
        ("2c48002689000000", 5),
        ("98dc9026761698dc", 6),
        ("ecd7ecd7ecd7ecd7", 2),
        ("98dc902676ff98", 7),
        ("2c4800262c", 5),
    ],
)
def test_repeats_and_trailing_zeros_are_cut_off(id_bytes: str, length: int) -> None:
    assert id_length(bytes.fromhex(id_bytes)) == length


@pytest.mark.parametrize("silence", ["00" * 8, "ff" * 8, "ec75", "ec75" * 4])
def test_no_size_is_invented_for_a_silent_chip_or_one_with_two_bytes(silence: str) -> None:
    assert decode_read_id(bytes.fromhex(silence)) == ()


def test_without_a_byte_the_call_is_wrong() -> None:
    with pytest.raises(ValueError, match="at least one byte"):
        decode_read_id(b"")


@pytest.mark.parametrize(
    ("bits", "page", "spare", "block"),
    [
        (0x00, 1 * KI, 16, 64 * KI),
        (0x15, 2 * KI, 64, 128 * KI),
        (0x37, 8 * KI, 256, 512 * KI),
        (0x28, 1 * KI, 16, 256 * KI),
    ],
)
def test_the_general_rule_reads_the_fourth_byte(bits: int, page: int, spare: int, block: int) -> None:
    (reading,) = decode_read_id(bytes([0x01, 0xF1, 0x80, bits, 0x40]))
    assert (reading.page_data, reading.page_spare, reading.block_bytes) == (page, spare, block)
    assert (reading.rule, reading.bits_per_cell, reading.bus_bits) == ("general", 1, 8)


def test_bus_width_and_bits_per_cell() -> None:
    (reading,) = decode_read_id(bytes([0x01, 0xF1, 0x84, 0x55, 0x40]))
    assert (reading.bits_per_cell, reading.bus_bits) == (2, 16)


@pytest.mark.parametrize(
    ("fourth", "fifth", "page", "spare", "block", "ecc"),
    [
        # U-Boot drivers/mtd/nand/raw/nand_samsung.c, worked by hand from its shifts.
        (0x16, 0x44, 8 * KI, 128, 256 * KI, (16, 512)),
        (0x2E, 0x54, 8 * KI, 400, 512 * KI, (24, 1024)),
        (0x76, 0x64, 8 * KI, 512, 1024 * KI, (40, 1024)),
        (0xC9, 0x74, 4 * KI, 640, 2048 * KI, (60, 1024)),
    ],
)
def test_samsungs_rule(fourth: int, fifth: int, page: int, spare: int, block: int, ecc: tuple[int, int]) -> None:
    first = decode_read_id(bytes([0xEC, 0xD7, 0x94, fourth, fifth, 0x43]))[0]
    assert (first.rule, first.page_data, first.page_spare, first.block_bytes) == ("samsung", page, spare, block)
    assert (first.ecc_bits, first.ecc_codeword_data) == ecc


def test_samsungs_rule_is_not_for_slc_nor_without_a_sixth_byte() -> None:
    assert [r.rule for r in decode_read_id(bytes.fromhex("ecf100954043"))] == ["general"]
    assert [r.rule for r in decode_read_id(bytes.fromhex("ecd7941644"))] == ["general"]


def test_an_unknown_spare_index_leaves_the_general_rule_alone() -> None:
    assert [r.rule for r in decode_read_id(bytes([0xEC, 0xD7, 0x94, 0x02, 0x44, 0x43]))] == ["general"]


def test_hynix_bytes_have_two_meanings_until_the_chip_was_asked() -> None:
    identity = bytes.fromhex("adde94d17442")
    assert [r.rule for r in decode_read_id(identity, jedec_id=False)] == ["hynix", "general"]
    assert [r.rule for r in decode_read_id(bytes.fromhex("adde94a17442"))] == ["hynix-jedec", "hynix", "general"]
    assert [r.rule for r in decode_read_id(bytes.fromhex("adde94a17442"), jedec_id=True)] == ["hynix-jedec", "general"]


def test_hynix_block_of_768_kibibytes() -> None:
    reading = decode_read_id(bytes([0xAD, 0xD7, 0x94, 0x32, 0x74, 0x43]), jedec_id=False)[0]
    assert (reading.rule, reading.block_bytes) == ("hynix", 768 * KI)
    assert reading.pages_per_block == 96


@settings(deadline=None, max_examples=300)
@given(id_bytes=st.binary(min_size=1, max_size=8), jedec_id=st.sampled_from([None, True, False]))
def test_any_bytes_give_possible_shapes(id_bytes: bytes, jedec_id: bool | None) -> None:
    for reading in decode_read_id(id_bytes, jedec_id=jedec_id):
        assert 1024 <= reading.page_data <= 16384
        assert 0 < reading.page_spare <= 2048
        assert reading.pages_per_block >= 4
        assert reading.note
