"""The decode pass and its table on disk."""

from dataclasses import fields, replace
from pathlib import Path

import numpy as np
import pyarrow.parquet as pq
import pytest
from chip_kit import IDENTITY, Chip

from deadstick.errors import CaseError, InputError, RecipeError
from deadstick.rebuild import pages as pages_module
from deadstick.rebuild.page_table import PageKind, PageTable
from deadstick.rebuild.pages import decode_dump
from deadstick.rebuild.patch import Patch
from deadstick.recipe.code import ERASED, LOST


def worn_chip() -> Chip:
    chip = Chip()
    chip.write(0, 0, 5, chip.content(1))
    chip.write(2, 1, 6, chip.content(2), pages=2)
    chip.damage(0, 1, 3)
    chip.damage(0, 1, 2, codeword=1)  # may hit one of the three again
    chip.damage(0, 2, 60, codeword=0)
    chip.damage(0, 3, 60)
    return chip


def assert_equal_patches(one: Patch, other: Patch) -> None:
    for field in fields(Patch):
        assert np.array_equal(getattr(one, field.name), getattr(other, field.name)), field.name


def assert_equal(one: PageTable, other: PageTable) -> None:
    for field in fields(PageTable):
        left, right = getattr(one, field.name), getattr(other, field.name)
        if isinstance(left, Patch):
            assert_equal_patches(left, right)
            continue
        assert np.array_equal(left, right), field.name
        assert isinstance(left, str) or left.dtype == right.dtype, field.name


def test_columns_say_what_happened() -> None:
    table = worn_chip().table()
    assert len(table) == 48
    assert table.block[:6].tolist() == [0, 0, 0, 0, 1, 1]
    assert table.page[:6].tolist() == [0, 1, 2, 3, 0, 1]
    assert table.kind[:4].tolist() == [PageKind.DATA] * 3 + [PageKind.LOST]
    assert table.kind[8:12].tolist() == [PageKind.DATA] * 2 + [PageKind.ERASED] * 2
    assert table.errors[0].tolist() == [0, 0]
    assert table.errors[1, 0] == 3
    assert table.errors[2].tolist() == [LOST, 0]
    assert table.errors[10].tolist() == [ERASED, ERASED]
    assert table.bits_corrected[1] == table.errors[1].sum()
    assert table.worst_codeword[:4].tolist() == [0, int(table.errors[1].max()), 0, -1]
    assert table.lost_codewords[:4].tolist() == [0, 0, 1, 2]
    assert not table.doubtful_codewords.any()
    assert (table.logical == -1).all()


def test_a_table_reads_back(tmp_path: Path) -> None:
    table = replace(worn_chip().table(), identity="of this chip")
    table.save(tmp_path / "pages.parquet")
    assert_equal(PageTable.load(tmp_path / "pages.parquet"), table)
    assert [path.name for path in tmp_path.iterdir()] == ["pages.parquet"]
    plain = pq.read_table(tmp_path / "pages.parquet")
    assert plain.column("lost_codewords").to_pylist()[:4] == [0, 0, 1, 2]


def test_a_table_without_metadata_columns_reads_back(tmp_path: Path) -> None:
    table = worn_chip().table()
    bare = replace(table, metadata=np.zeros((len(table), 0), np.uint8))
    bare.save(tmp_path / "pages.parquet")
    assert_equal(PageTable.load(tmp_path / "pages.parquet"), bare)


def test_what_is_no_table_is_refused(tmp_path: Path) -> None:
    path = tmp_path / "pages.parquet"
    with pytest.raises(InputError, match="no page table"):
        PageTable.load(path)
    path.write_bytes(b"PAR1 no more")
    with pytest.raises(InputError, match="no page table"):
        PageTable.load(path)
    table = worn_chip().table()
    table.save(path)
    pq.write_table(pq.read_table(path).replace_schema_metadata(None), path)
    with pytest.raises(InputError, match="not a page table"):
        PageTable.load(path)
    with pytest.raises(CaseError, match="cannot be written"):
        table.save(tmp_path / "missing" / "pages.parquet")


def test_batches_and_threads_change_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    chip = worn_chip()
    whole = chip.table()
    for batch in (1, 5000, 20_000):
        monkeypatch.setattr(pages_module, "BATCH_BYTES", batch)
        seen: list[int] = []
        table = decode_dump(chip.raw, chip.recipe, lambda _stage, done, _total, seen=seen: seen.append(done))
        assert_equal(table, whole)
        assert seen == sorted(seen)
        assert seen[-1] == len(whole)
        assert len(seen) == -(-48 // max(1, batch // chip.recipe.layout.page_bytes))


def test_a_read_only_map_is_decoded_as_it_is() -> None:
    chip = worn_chip()
    frozen = chip.raw.copy()
    frozen.flags.writeable = False
    assert_equal(decode_dump(frozen, chip.recipe), chip.table())


def test_pages_of_another_length_are_refused() -> None:
    with pytest.raises(RecipeError, match="1060 bytes"):
        decode_dump(np.zeros((4, 1000), np.uint8), IDENTITY)
