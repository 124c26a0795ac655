"""From the page to the file: what passes for erased under a weak code is never part of an exact file."""

import tempfile
from pathlib import Path

import numpy as np
from files_kit import needs, run

from deadstick.files.records import FileRecord, FileState
from deadstick.files.scan import list_files
from deadstick.flash.erased import erased_pages
from deadstick.rebuild.disk import RebuiltDisk
from deadstick.rebuild.page_table import PageKind
from deadstick.rebuild.pages import decode_dump
from deadstick.rebuild.translate import block_table
from deadstick.recipe.code import Code
from deadstick.recipe.layout import in_line
from deadstick.recipe.recipe import Recipe

WEAK = Recipe(16, in_line(1040, 2, 512, 4, 4), Code(13, 0x201B, 2, erased_is_codeword=True))
NEARLY_EMPTY = bytes([0xFF] * 300 + [0xEE] + [0xFF] * 211) * 24


def volume() -> bytes:
    """A volume with a file of ones but for two bits a sector, and a common file."""
    with tempfile.TemporaryDirectory() as name:
        image, source = Path(name) / "fat.img", Path(name) / "source"
        image.write_bytes(bytes(256 << 10))
        run("mkfs.fat", "-F", "12", "-s", "1", image)
        for path, content in {"level.raw": NEARLY_EMPTY, "tides.txt": b"high water 11:40\n" * 200}.items():
            source.write_bytes(content)
            run("mcopy", "-i", image, source, f"::{path}")
        return image.read_bytes()


def chip() -> np.ndarray:
    data = np.frombuffer(volume(), np.uint8).reshape(-1, 1024)
    return WEAK.encode(data, np.full((len(data), 8), 0xFF, np.uint8), np.arange(len(data)))


def files(raw: np.ndarray) -> dict[str, FileRecord]:
    table = decode_dump(raw, WEAK)
    disk = RebuiltDisk(raw, WEAK, table, block_table(table, WEAK))
    return {record.path: record for record in list_files(disk).files}


@needs("mkfs.fat", "mcopy")
def test_pages_that_pass_for_erased() -> None:
    raw = chip()
    nearly = np.flatnonzero(erased_pages(raw) & (raw != 0xFF).any(axis=1))
    assert len(nearly) >= 10
    assert {path: record.state for path, record in files(raw).items()} == dict.fromkeys(
        ("level.raw", "tides.txt"), FileState.EXACT
    )
    raw[nearly[3], 10] ^= 1  # now its code does not speak for it any more
    assert decode_dump(raw, WEAK).kind[nearly[3]] == PageKind.ERASED
    found = files(raw)
    assert found["level.raw"].state is FileState.DOUBTFUL
    assert "2 of its sectors were never written on the chip" in found["level.raw"].reason
    assert found["tides.txt"].state is FileState.EXACT
