"""A block that cannot be placed may hold a newer copy of anything: then no file is exact."""

from deadstick.case.outcome import judge, unless_hidden
from deadstick.case.result import FilePart, Status, VolumePart
from deadstick.files.records import FileState


def files() -> list[FilePart]:
    return [
        FilePart(path="log.txt", bytes=3, sha256="00", state=FileState.EXACT, reason="all sectors are proven"),
        FilePart(path="map.png", bytes=3, sha256="00", state=FileState.DAMAGED, reason="a sector is lost"),
    ]


def test_files_stay_as_they_are_where_every_block_is_placed() -> None:
    assert unless_hidden(files(), ()) == files()


def test_no_file_is_exact_beside_a_block_that_cannot_be_placed() -> None:
    changed = unless_hidden(files(), (31, 40))
    assert [file.state for file in changed] == [FileState.DOUBTFUL, FileState.DAMAGED]
    assert changed[0].reason.startswith("block 31, 40 of the chip cannot be placed")
    assert changed[0].reason.endswith("all sectors are proven")
    volume = VolumePart(index=1, kind="FAT16", label="", first_sector=0, sectors=8, evidence=[])
    assert judge([volume], changed[:1], [])[0] is Status.PARTIAL
