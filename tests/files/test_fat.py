"""FAT volumes: what is exact, and which files one unproven sector takes down."""

import struct

import numpy as np
import pytest
from files_kit import TREE, Made, MemoryDisk, Seen, look, make_fat, needs, noise, sha, spoil

from deadstick.files.fat_dirs import short_checksum
from deadstick.files.fat_layout import FatLayout, kind_of, parse_boot
from deadstick.files.fat_table import decode_entries
from deadstick.files.records import FileState
from deadstick.files.volumes import find_volumes
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, SectorState

LOST, DOUBTFUL, UNWRITTEN = SectorState.LOST, SectorState.DOUBTFUL, SectorState.UNWRITTEN
BIG = "soundings/bay north 2024 survey.bin"

with_tools = needs("mkfs.fat", "mcopy", "mdel")


def layout_of(data: bytes) -> FatLayout:
    layout = parse_boot(data[:512])
    assert layout is not None
    return layout


def live(seen: list[Seen]) -> dict[str, Seen]:
    return {one.path: one for one in seen if not one.file.deleted}


def states(seen: list[Seen]) -> dict[str, FileState]:
    return {path: one.state for path, one in live(seen).items()}


def sectors_of(made: Made, path: str) -> list[int]:
    file = live(look(MemoryDisk(made.data))[0])[path].file
    return [
        sector
        for extent in file.extents
        for sector in range(extent.disk_offset // 512, (extent.disk_offset + extent.length + 511) // 512)
    ]


def clusters_of(made: Made, path: str) -> list[int]:
    layout = layout_of(made.data)
    sectors = sectors_of(made, path)
    return [(s * 512 - layout.data_offset) // layout.cluster_bytes + 2 for s in sectors]


def entry_sector(made: Made, path: str) -> int:
    """Sector of the short entry that names the first cluster of a file and its size."""
    first, size = clusters_of(made, path)[0], len(made.files[path])
    tail = struct.pack("<HI", first & 0xFFFF, size)
    places = [at for at in range(26, len(made.data), 32) if made.data[at : at + 6] == tail]
    assert len(places) == 1
    return places[0] // SECTOR_BYTES


@with_tools
@pytest.mark.parametrize(("bits", "cluster_sectors"), [(12, 1), (12, 4), (16, 1), (16, 4), (32, 1)])
def test_a_proven_disk_gives_every_file_exact(bits: int, cluster_sectors: int) -> None:
    made = make_fat(bits, cluster_sectors)
    seen, problems = look(MemoryDisk(made.data))
    assert {path: one.sha256 for path, one in live(seen).items()} == {p: sha(c) for p, c in made.files.items()}
    assert set(states(seen).values()) == {FileState.EXACT}
    assert problems == []
    assert find_volumes(MemoryDisk(made.data)).places[0].kind == f"FAT{bits}"


@with_tools
@pytest.mark.parametrize("bits", [12, 16, 32])
def test_a_deleted_file_is_found_and_is_never_exact(bits: int) -> None:
    made = make_fat(bits)
    seen, _ = look(MemoryDisk(made.data))
    gone = {one.path: one for one in seen if one.file.deleted}
    assert all(one.state is not FileState.EXACT for one in gone.values())
    for path, content in made.deleted.items():
        assert gone[path].sha256 == sha(content)
        assert gone[path].state is FileState.DOUBTFUL
        assert "deleted" in gone[path].reason


@with_tools
def test_a_deleted_file_whose_first_cluster_has_a_new_owner_is_not_read() -> None:
    seen, _ = look(MemoryDisk(make_fat(16).data))
    reused = [one for one in seen if one.file.deleted and "given to another file" in one.reason]
    assert reused
    assert all(one.state is FileState.DAMAGED and not one.file.extents for one in reused)


@with_tools
def test_a_lost_sector_damages_its_file_alone_and_names_the_bytes() -> None:
    made = make_fat(16)
    sectors = sectors_of(made, BIG)
    seen, _ = look(spoil(made.data, {sectors[3]: LOST, sectors[4]: LOST, sectors[17]: LOST}))
    found = live(seen)
    assert found[BIG].state is FileState.DAMAGED
    assert (
        "3 of its sectors are lost: bytes 1536 to 2559 are lost, the first of 2 ranges (1320 of 9000"
        in found[BIG].reason
    )
    assert {p for p, one in found.items() if one.state is not FileState.EXACT} == {BIG}


@with_tools
@pytest.mark.parametrize(
    ("state", "words"), [(UNWRITTEN, "1 of its sectors was never written"), (DOUBTFUL, "1 of its sectors is doubtful")]
)
def test_a_sector_that_is_not_proven_makes_its_file_doubtful(state: SectorState, words: str) -> None:
    made = make_fat(12)
    seen, _ = look(spoil(made.data, {sectors_of(made, BIG)[0]: state}, "same"))
    found = live(seen)
    assert found[BIG].state is FileState.DOUBTFUL
    assert words in found[BIG].reason
    assert {p for p, one in found.items() if one.state is not FileState.EXACT} == {BIG}


def _table_sector(made: Made, cluster: int, copy: int) -> int:
    layout = layout_of(made.data)
    return (layout.fat_offset + copy * layout.fat_bytes + cluster * layout.entry_bits // 8) // SECTOR_BYTES


@with_tools
def test_a_lost_table_sector_taints_the_files_whose_chains_pass_through_it_and_no_others() -> None:
    made = make_fat(16)
    layout = layout_of(made.data)
    per_sector = SECTOR_BYTES * 8 // layout.entry_bits
    # Enough clusters that the table has a second sector with files in it.
    clusters = {path: clusters_of(made, path) for path, content in made.files.items() if content}
    assert max(max(c) for c in clusters.values()) < per_sector
    grown = _grow(made, layout, per_sector)
    bad = {_table_sector(grown, per_sector, copy): LOST for copy in (0, 1)}
    seen, _ = look(spoil(grown.data, bad))
    tainted = {path for path, state in states(seen).items() if state is not FileState.EXACT}
    assert tainted == {"AWAY.BIN"}
    assert "allocation table" in live(seen)["AWAY.BIN"].reason


def _grow(made: Made, layout: FatLayout, cluster: int) -> Made:
    """Put one more file, by hand, where the second sector of the table rules."""
    data, content = bytearray(made.data), noise(50, 1_000)
    for copy in range(2):
        struct.pack_into("<HH", data, layout.fat_offset + copy * layout.fat_bytes + 2 * cluster, cluster + 1, 0xFFFF)
    at = layout.cluster_offset(cluster)
    data[at : at + len(content)] = content
    slot = layout.root_offset
    while data[slot]:
        slot += 32
    data[slot : slot + 32] = struct.pack("<11sB14xHI", b"AWAY    BIN", 0x20, cluster, len(content))
    return Made(bytes(data), {**made.files, "AWAY.BIN": content})


@with_tools
@pytest.mark.parametrize("bits", [12, 16, 32])
def test_the_second_table_stands_in_for_a_lost_first(bits: int) -> None:
    made = make_fat(bits)
    layout = layout_of(made.data)
    first = range(layout.fat_offset // 512, (layout.fat_offset + layout.fat_bytes) // 512)
    seen, problems = look(spoil(made.data, dict.fromkeys(first, LOST)))
    assert set(states(seen).values()) == {FileState.EXACT}
    assert any("taken from its second copy" in text for text in problems)


@with_tools
def test_two_proven_tables_that_disagree_make_a_file_doubtful() -> None:
    made = make_fat(16)
    layout, data = layout_of(made.data), bytearray(made.data)
    cluster = clusters_of(made, BIG)[1]
    struct.pack_into("<H", data, layout.fat_offset + layout.fat_bytes + 2 * cluster, 0xFFF0)
    seen, _ = look(MemoryDisk(bytes(data)))
    assert {p for p, s in states(seen).items() if s is not FileState.EXACT} == {BIG}
    assert "copies of the allocation table disagree" in live(seen)[BIG].reason


@with_tools
def test_files_that_share_a_cluster_are_both_doubtful() -> None:
    made = make_fat(16)
    layout, data = layout_of(made.data), bytearray(made.data)
    mine, theirs = clusters_of(made, BIG), clusters_of(made, "soundings/deep/line 7.bin")
    for copy in range(2):
        at = layout.fat_offset + copy * layout.fat_bytes
        struct.pack_into("<H", data, at + 2 * mine[-8], theirs[0])
    seen, problems = look(MemoryDisk(bytes(data)))
    assert live(seen)["soundings/deep/line 7.bin"].state is FileState.DOUBTFUL
    assert live(seen)[BIG].state is not FileState.EXACT
    assert any("claimed more than once" in text for text in problems)


@with_tools
@pytest.mark.parametrize("shorter", [True, False])
def test_a_chain_that_does_not_fit_the_size_is_not_exact(*, shorter: bool) -> None:
    made = make_fat(16)
    layout, data = layout_of(made.data), bytearray(made.data)
    clusters = clusters_of(made, BIG)
    spare = int(np.flatnonzero(decode_entries(made.data[layout.fat_offset :], 16, 4_000) == 0)[0])
    for copy in range(2):
        at = layout.fat_offset + copy * layout.fat_bytes
        if shorter:
            struct.pack_into("<H", data, at + 2 * clusters[4], 0xFFFF)
        else:
            struct.pack_into("<H", data, at + 2 * clusters[-1], spare)
            struct.pack_into("<H", data, at + 2 * spare, 0xFFFF)
    seen, _ = look(MemoryDisk(bytes(data)))
    one = live(seen)[BIG]
    assert one.state is (FileState.DAMAGED if shorter else FileState.DOUBTFUL)
    assert ("bytes 2560 to 8999 are lost" if shorter else "does not end where its size says") in one.reason


@with_tools
def test_an_unproven_directory_entry_makes_its_file_doubtful_even_if_it_reads_right() -> None:
    made = make_fat(16)
    sector = entry_sector(made, "soundings/deep/line 8.bin")
    seen, _ = look(spoil(made.data, {sector: DOUBTFUL}, "same"))
    deep = {path for path in made.files if path.startswith("soundings/deep/")}
    assert {p for p, s in states(seen).items() if s is not FileState.EXACT} == deep
    assert "directory entry lies in a sector that is not proven" in live(seen)["soundings/deep/line 8.bin"].reason


@with_tools
def test_an_empty_file_behind_an_unproven_directory_sector_is_doubtful() -> None:
    made = make_fat(16)
    first = layout_of(made.data).root_offset // SECTOR_BYTES
    empty = made.data.index(b"EMPTY   DAT") // SECTOR_BYTES
    assert empty == first  # in the first sector by nature: make it the second by a sector in front
    data = bytearray(made.data)
    for sector in range(first + 3, first, -1):
        data[sector * 512 : (sector + 1) * 512] = data[(sector - 1) * 512 : sector * 512]
    data[first * 512 : (first + 1) * 512] = b"\xe5" * 512
    assert live(look(MemoryDisk(bytes(data)))[0])["empty.dat"].state is FileState.EXACT
    found = live(look(spoil(bytes(data), {first: DOUBTFUL}, "same"))[0])
    assert found["empty.dat"].state is FileState.DOUBTFUL
    assert found["readme.txt"].state is FileState.EXACT


@with_tools
def test_a_lost_boot_sector_is_replaced_by_its_copy_on_fat32() -> None:
    made = make_fat(32)
    seen, _ = look(spoil(made.data, {0: LOST}, "flips"))
    assert set(states(seen).values()) == {FileState.EXACT}
    assert len(live(seen)) == len(made.files)


@with_tools
def test_without_a_copy_an_unproven_boot_sector_makes_everything_doubtful() -> None:
    made = make_fat(16)
    seen, _ = look(spoil(made.data, {0: DOUBTFUL}, "same"))
    assert len(live(seen)) == len(made.files)
    assert set(states(seen).values()) == {FileState.DOUBTFUL}
    assert "the boot sector is not proven" in seen[0].reason


@with_tools
def test_a_lost_root_directory_still_gives_the_files_below_it() -> None:
    made = make_fat(16)
    layout = layout_of(made.data)
    root = range(layout.root_offset // 512, layout.data_offset // 512)
    seen, problems = look(spoil(made.data, dict.fromkeys(root, LOST), "zeros"))
    found = {one.sha256: one for one in seen}
    for path in (BIG, "soundings/deep/line 7.bin", "logs/Mareograph long-named log.csv"):
        one = found[sha(TREE[path])]
        assert one.path.startswith("unreached-")
        assert one.path.endswith(path.rpartition("/")[2])
        assert one.state is FileState.DOUBTFUL
    assert any("sectors are lost, entries may be missing" in text for text in problems)


@pytest.mark.parametrize(("clusters", "kind"), [(4084, "FAT12"), (4085, "FAT16"), (65524, "FAT16"), (65525, "FAT32")])
def test_the_count_of_clusters_alone_decides_the_kind(clusters: int, kind: str) -> None:
    # U-Boot fs/fat/fat.c: MAX_FAT12 0xFF4 = 4084; the bound of FAT16 is from memory of Microsoft's text.
    assert kind_of(clusters) == kind


@pytest.mark.parametrize(
    ("name", "value"),
    [(b"README  TXT", 0x73), (b"FILE    BIN", 0x07), (b"ABCDEFGHIJK", 0xA4), (b"           ", 0xF7)],
)
def test_checksum_of_short_names(name: bytes, value: int) -> None:
    # Values computed independently from the rule in Microsoft's text on FAT (the rule is from memory).
    assert short_checksum(name) == value


def test_twelve_bit_entries_agree_with_a_plain_reading() -> None:
    table = noise(11, 303)
    plain = [
        (int.from_bytes(table[i * 3 // 2 : i * 3 // 2 + 2], "little") >> (4 if i & 1 else 0)) & 0xFFF
        for i in range(200)
    ]
    assert decode_entries(table, 12, 200).tolist() == plain


def test_noise_is_no_boot_sector() -> None:
    for seed in range(2_000):
        boot = bytearray(noise(seed, 512))
        boot[510:] = b"\x55\xaa"
        assert parse_boot(bytes(boot)) is None
