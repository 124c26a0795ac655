"""Dumps from which nothing can be had: encrypted, noise, erased, no dump at all. Each ends quickly and says why."""

import io
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from deadstick.recipe.code import Code
from deadstick.recipe.layout import Part, in_line
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.cipher import deciphered, enciphered
from deadstick.simulate.contents import SimFile
from deadstick.simulate.controller import BlockMappedController, block_mapped_dump, identity_dump
from deadstick.simulate.history import History, scenario_history
from deadstick.simulate.volume import FatVolume
from deadstick.solve.answer.encryption import difference_test, plaintext_test
from deadstick.solve.answer.endings import looks_like, nothing_to_read, unless_hidden
from deadstick.solve.common.evidence import Solution
from deadstick.solve.common.noise import MOST_EQUAL_PAIRS, equal_pairs, sector_test
from deadstick.solve.solver import solve

LIMIT = 120.0
"""Seconds of work within which such a dump must be given up; of the processor, since others may be at work, too."""
SEEDS = tuple(np.random.default_rng(6).integers(1, 1 << 23, 64).tolist())
CODE = Code(14, 0x402B, 40, bit_order="lsb")
PLAIN = Recipe(
    64,
    in_line(4432, 4, 1024, 8, 70),
    CODE,
    None,
    Translation("block", BitField(0, 2), BitField(2, 2)),
)
AFTER = replace(PLAIN, scrambler=Scrambler("after_ecc", "page", LfsrKeystreams(0x800021, SEEDS)))
BEFORE = replace(
    PLAIN, scrambler=Scrambler("before_ecc", "page", LfsrKeystreams(0x800021, SEEDS), frozenset({Part.DATA}))
)


@pytest.fixture(scope="module")
def history() -> History:
    return scenario_history(5, 8 << 20, fill=0.6, steps=2)


@pytest.fixture(scope="module")
def ciphertext(history: History) -> list[np.ndarray]:
    return [enciphered(state, 7) for state in history.states]


def timed(dump: np.ndarray) -> Iterator[Solution]:
    began = time.process_time()
    yield solve(dump)
    assert time.process_time() - began < LIMIT


def pages_of(dump: np.ndarray, recipe: Recipe) -> np.ndarray:
    size = recipe.layout.page_bytes
    return dump[: len(dump) // size * size].reshape(-1, size)


class TestCipher:
    def test_it_is_a_permutation_of_sectors_that_depends_on_their_place(self) -> None:
        disk = np.random.default_rng(1).integers(0, 256, 4096, np.uint8)
        disk[512:1024] = disk[:512]
        stored = enciphered(disk, 3)
        assert (deciphered(stored, 3) == disk).all()
        assert (stored[:512] != stored[512:1024]).mean() > 0.9
        assert (enciphered(disk, 4) != stored).mean() > 0.9
        with pytest.raises(ValueError, match="no whole number of sectors"):
            enciphered(disk[:100], 3)

    def test_one_bit_changes_the_whole_sector(self) -> None:
        disk = np.zeros(512, np.uint8)
        other = disk.copy()
        other[300] = 1
        assert (enciphered(disk, 3) != enciphered(other, 3)).mean() > 0.9


class TestSectors:
    def test_uniform_sectors_stay_far_below_the_limit(self) -> None:
        sectors = np.random.default_rng(3).integers(0, 256, (40_000, 512), np.uint8)
        pairs = equal_pairs(sectors)
        # Mean and spread as the module says: C(512, 2) / 256 = 511, and 22.6.
        assert abs(pairs.mean() - 511) < 1
        assert abs(pairs.std() - 22.6) < 0.5
        assert pairs.max() < MOST_EQUAL_PAIRS - 3 * 22.6

    @pytest.mark.parametrize("zeros", [60, 200, 512])
    def test_slack_gives_a_sector_away(self, zeros: int) -> None:
        sector = np.random.default_rng(zeros).integers(0, 256, (1, 512), np.uint8)
        sector[0, 512 - zeros :] = 0
        assert equal_pairs(sector)[0] > MOST_EQUAL_PAIRS

    def test_copies_are_no_deviation_and_no_repetition(self) -> None:
        rows = np.random.default_rng(4).integers(0, 256, (600, 2048), np.uint8)
        test = sector_test(np.concatenate([rows, rows[:300]]))
        assert test.is_ciphertext

    def test_a_keystream_that_comes_again_is_seen(self) -> None:
        rows = np.random.default_rng(4).integers(0, 256, (600, 2048), np.uint8)
        rows[7, 64:96] = rows[300, 64:96]
        test = sector_test(rows)
        assert (test.repeats, test.is_ciphertext) == (1, False)

    def test_the_chance_falls_with_the_share_that_was_read(self) -> None:
        test = sector_test(np.random.default_rng(4).integers(0, 256, (600, 2048), np.uint8))
        assert test.sectors == 2400
        assert test.log10_chance(2400) < test.log10_chance(4800) < test.log10_chance(2_400_000) < 0

    def test_too_few_sectors_are_no_ciphertext(self) -> None:
        assert not sector_test(np.random.default_rng(4).integers(0, 256, (10, 2048), np.uint8)).is_ciphertext


class TestEncrypted:
    @pytest.mark.parametrize("recipe", [PLAIN, BEFORE, AFTER], ids=["no scrambler", "before", "after"])
    def test_ciphertext_is_called_so(self, ciphertext: list[np.ndarray], recipe: Recipe) -> None:
        dump, _ = block_mapped_dump(ciphertext, recipe, 64, 3, bad=1, wear_moves=3, rate=1e-4)
        for found in timed(dump):
            assert found.outcome == "encrypted", found.reason
            assert found.recipe is None
            finding = found.findings[-1]
            assert finding.question == "encryption"
            assert "donor controller" in found.reason
            assert "sectors are not uniform" in finding.figure
            assert "chi-square" in finding.figure

    def test_readable_tables_of_the_controller_change_nothing(self, ciphertext: list[np.ndarray]) -> None:
        controller = BlockMappedController(PLAIN, 80, 4, bad=1)
        controller.write(np.concatenate([ciphertext[0], enciphered(ciphertext[0], 9)]))
        # Records of 16 bytes with a counter, a few pages of them.
        table = np.zeros((controller.logical_bytes // 16, 16), np.uint8)
        table[:, 0], table[:, 1] = np.arange(len(table)) & 0xFF, np.arange(len(table)) >> 8 & 0xFF
        table[:, 4:6] = np.random.default_rng(5).integers(0, 256, (len(table), 2))
        controller.write_block(500, table.reshape(-1), pages=20)
        dump, _ = controller.chip(rate=5e-5)
        pages = pages_of(dump, PLAIN)
        test = plaintext_test(pages, PLAIN)
        assert test.structured > 100
        assert not test.is_ciphertext
        ended = unless_hidden(Solution("solved", "", PLAIN, ()), test, pages, PLAIN.layout)
        assert (ended.outcome, ended.recipe) == ("encrypted", None)
        assert "are readable and hold no volume" in ended.findings[-1].answer

    def test_a_keystream_that_was_not_found_is_no_cipher(self, history: History) -> None:
        dump, _ = block_mapped_dump(history.states, BEFORE, 48, 3)
        pages = pages_of(dump, BEFORE)
        test = plaintext_test(pages, PLAIN)
        ended = unless_hidden(Solution("solved", "", PLAIN, ()), test, pages, PLAIN.layout)
        assert (ended.outcome, ended.recipe) == ("unsolved", None)
        assert ended.findings[-1].question == "keystream"


@pytest.fixture(scope="module")
def packed(history: History) -> np.ndarray:
    """A FAT volume that is nearly full of files that cannot be packed further."""
    rng = np.random.default_rng(2)
    volume = FatVolume(8 << 20, 3)
    for number in range(7):
        data = rng.integers(0, 256, (1 << 20) + 77 * number, np.uint8).tobytes()
        volume.write(SimFile(f"box{number}.bin", data, history.live[0].modified))
    return volume.image()


class TestPackedNotEncrypted:
    """A volume full of packed files passes a test over all bytes, but its sectors give it away."""

    def test_a_full_volume_is_not_called_encrypted(self, packed: np.ndarray) -> None:
        dump, _ = block_mapped_dump([packed], PLAIN, 48, 3, bad=1)
        test = plaintext_test(pages_of(dump, PLAIN), PLAIN)
        assert 0 < test.structured < 0.15 * test.sectors
        assert not test.is_ciphertext

    def test_differences_under_a_scrambler_show_structure_too(
        self, history: History, ciphertext: list[np.ndarray]
    ) -> None:
        open_dump, _ = block_mapped_dump(history.states, AFTER, 48, 3, rate=1e-4)
        closed_dump, _ = block_mapped_dump(ciphertext, AFTER, 48, 3, wear_moves=3, rate=1e-4)
        assert not difference_test(pages_of(open_dump, AFTER), AFTER.layout, CODE, 64).is_ciphertext
        assert difference_test(pages_of(closed_dump, AFTER), AFTER.layout, CODE, 64).is_ciphertext


def picture() -> np.ndarray:
    noise = np.random.default_rng(1).integers(0, 256, (600, 800, 3), np.uint8)
    stream = io.BytesIO()
    Image.fromarray(noise).save(stream, "JPEG", quality=95)
    return np.frombuffer(stream.getvalue(), np.uint8)


NOISE = np.random.default_rng(2).integers(0, 256, 4 << 20, np.uint8)
TEXT = np.frombuffer(b"reading of the tide gauge, morning and evening\n" * 40_000, np.uint8)


class TestNoDumpAtAll:
    @pytest.mark.parametrize(
        ("data", "outcome", "words"),
        [
            (NOISE, "unreadable", "looks like noise"),
            (NOISE[:3_000_001], "unreadable", "looks like noise"),
            (np.full(3 << 20, 0xFF, np.uint8), "unreadable", "erased"),
            (np.zeros(3 << 20, np.uint8), "unreadable", "0x00"),
            (np.full((1 << 20) + 1, 0x55, np.uint8), "unreadable", "0x55"),
            (np.zeros(0, np.uint8), "unreadable", "0 bytes"),
            (NOISE[:1], "unreadable", "1 bytes"),
            (NOISE[:4095], "unreadable", "4,095 bytes"),
            (TEXT, "unsolved", "looks like a text"),
            (picture(), "unsolved", "a file (JPEG)"),
        ],
        ids=["noise", "odd length", "erased", "zeros", "one byte", "empty", "single", "short", "text", "picture"],
    )
    def test_it_ends_with_the_reason(self, data: np.ndarray, outcome: str, words: str) -> None:
        for found in timed(data):
            assert (found.outcome, found.recipe) == (outcome, None)
            assert words in found.reason

    @pytest.mark.campaign
    @pytest.mark.parametrize("seed", [1, 9])
    def test_noise_in_which_a_lag_stands_out_by_accident(self, seed: int) -> None:
        for found in timed(np.random.default_rng(seed).integers(0, 256, 6 << 20, np.uint8)):
            assert (found.outcome, found.recipe) == ("unreadable", None)

    @pytest.mark.parametrize("length", [4096, 10_007, 65_537])
    def test_no_length_is_a_fault(self, length: int) -> None:
        for found in timed(NOISE[:length]):
            assert found.recipe is None
        for found in timed(TEXT[:length]):
            assert found.recipe is None

    def test_an_image_of_a_disk_is_named(self, history: History) -> None:
        assert looks_like(history.disk) == "an image of a disk"
        assert looks_like(NOISE) == ""

    def test_a_few_bits_on_an_erased_chip_are_still_nothing(self) -> None:
        data = np.full(1 << 20, 0xFF, np.uint8)
        data[::5000] = 0xFE
        ended = nothing_to_read(data)
        assert ended is not None
        assert "erased" in ended.reason

    def test_a_chip_with_content_is_looked_at(self, history: History) -> None:
        assert nothing_to_read(identity_dump(history.disk, replace(PLAIN, translation=Translation()), 40, 1)) is None


def test_a_block_with_a_printable_pattern_makes_no_text_of_a_dump() -> None:
    words = np.frombuffer(b"page after page of plain words\n" * 70_000, np.uint8)
    assert looks_like(words) == "a text"
    rng = np.random.default_rng(2)
    dump = np.concatenate([np.full(1 << 20, ord("U"), np.uint8), rng.integers(0, 256, 3 << 20, np.uint8)])
    assert looks_like(dump) == ""


def test_the_commands_take_a_device_of_zeros_for_nothing(tmp_path: Path) -> None:
    (tmp_path / "zero.bin").write_bytes(bytes(1 << 20))
    assert solve(np.fromfile(tmp_path / "zero.bin", np.uint8)).outcome == "unreadable"


def test_a_large_chip_with_a_little_on_it_is_not_erased() -> None:
    """1 MiB of 2 GiB is written: 0.05 % of the bytes."""
    data = np.full(2 << 30, 0xFF, np.uint8)
    assert nothing_to_read(data) is not None
    data[1 << 30 : (1 << 30) + (1 << 20)] = np.random.default_rng(1).integers(0, 256, 1 << 20, dtype=np.uint8)
    assert nothing_to_read(data) is None
    end = solve(data)
    assert end.outcome == "unsolved"
    assert end.reason == "the first 64 MiB, where page and code are looked for, read 0xff throughout"
