"""Several reads of one chip as a job: what the evidence says, exact files, resumed runs, sources left alone."""

import hashlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import workshop
from numpy.typing import NDArray

from deadstick.case.engines import Rebuilt
from deadstick.case.reads import chips_of
from deadstick.case.recover import recover
from deadstick.case.report import Sources, render
from deadstick.case.result import Result, Status
from deadstick.case.store import CaseStore
from deadstick.errors import CaseError, InputError
from deadstick.files.records import FileState
from deadstick.flash.dump import Dump
from deadstick.flash.geometry import Geometry
from deadstick.flash.reads import VotedDump
from deadstick.progress import Progress
from deadstick.rebuild.page_table import PageTable
from deadstick.recipe.recipe import Recipe
from deadstick.simulate import contacts
from deadstick.simulate.contents import SimFile
from deadstick.simulate.nand import add_bit_errors

Bytes = NDArray[np.uint8]
Spoil = Callable[[Bytes], Bytes | None]

PAGE = workshop.RECIPE.layout.page_bytes
RATE = 4e-3
"""17 errors in a codeword, of which 8 can be corrected: each read alone is lost."""


def reads(folder: Path, count: int, spoils: dict[int, Spoil] | None = None, *, rate: float = RATE) -> list[SimFile]:
    """Write r1.bin, r2.bin ...; the files that lie on the chip."""
    files = workshop.make_dump(folder / "clean.bin", seed=5)
    clean = np.fromfile(folder / "clean.bin", np.uint8)
    (folder / "clean.bin").unlink()
    for number in range(count):
        content = clean.copy()
        add_bit_errors(content, rate, number)
        spoil = (spoils or {}).get(number)
        changed = spoil(content) if spoil else None
        (folder / f"r{number + 1}.bin").write_bytes((content if changed is None else changed).tobytes())
    return files


def paths(folder: Path, count: int) -> Path:
    return Path(",".join(str(folder / f"r{number + 1}.bin") for number in range(count)))


def done(folder: Path, count: int) -> Result:
    return recover([paths(folder, count)], folder / "case", engines=workshop.know_it_all())


def honest(result: Result, files: list[SimFile]) -> bool:
    """Nothing is called exact that is not."""
    truth = {file.path: hashlib.sha256(file.data).hexdigest() for file in files}
    return all(truth.get(file.path) == file.sha256 for file in result.files if file.state is FileState.EXACT)


def noticed(result: Result, *words: str) -> bool:
    return any(all(word in part.answer for word in words) for part in result.evidence)


def test_three_lost_reads_make_one_exact_recovery(tmp_path: Path) -> None:
    files = reads(tmp_path, 3)
    alone = recover([tmp_path / "r1.bin"], tmp_path / "alone", engines=workshop.know_it_all())
    assert not any(file.state is FileState.EXACT and file.bytes for file in alone.files)
    before = {path.name: path.read_bytes() for path in tmp_path.glob("r*.bin")}
    result = done(tmp_path, 3)
    assert result.status is Status.RECOVERED
    assert len(result.files) == len(files)
    assert honest(result, files)
    assert [(part.chip, part.read, Path(part.path).name) for part in result.dumps] == [
        (0, 0, "r1.bin"), (0, 1, "r2.bin"), (0, 2, "r3.bin"),
    ]  # fmt: skip
    for part in result.dumps:
        assert part.sha256 == part.sha256_after == hashlib.sha256(before[Path(part.path).name]).hexdigest()
    assert noticed(result, "3 of 3 reads vote on every bit")
    assert {path.name: path.read_bytes() for path in tmp_path.glob("r*.bin")} == before
    assert not (tmp_path / "case" / ".work").exists()


def test_two_reads_recover_by_trials_what_neither_has(tmp_path: Path) -> None:
    files = reads(tmp_path, 2, rate=2.6e-3)
    result = done(tmp_path, 2)
    alone = recover([tmp_path / "r1.bin"], tmp_path / "alone", engines=workshop.know_it_all())
    assert result.disk is not None
    assert alone.disk is not None
    assert alone.disk.sectors_exact < 0.5 * result.disk.sectors
    assert result.disk.sectors_exact > 0.9 * result.disk.sectors
    assert honest(result, files)


def stuck(content: Bytes) -> None:
    contacts.stick_line(content, 3, 0, start=100 * PAGE)


def test_a_stuck_line_of_one_read_is_named_with_page_and_remedy(tmp_path: Path) -> None:
    files = reads(tmp_path, 3, {1: stuck}, rate=1e-3)
    result = done(tmp_path, 3)
    assert result.status is Status.RECOVERED
    assert honest(result, files)
    (part,) = [part for part in result.evidence if part.question == "contacts"]
    for words in ("data line 3 of read 2 (r2.bin)", "stuck at 0", "clean the contacts", "read again"):
        assert words in part.answer
    # It is seen from the last byte on that speaks against it, which may stand a little before.
    assert any(f"from page {page} on" in part.answer for page in (98, 99, 100))
    assert "1 in 10^" in part.chance or "1 in " in part.chance or part.chance == "not stated"
    with CaseStore.open(tmp_path / "case") as store:
        page = render(Sources(result, store.journal()))
    assert "data line 3 of read 2 (r2.bin)" in page
    assert "r3.bin" in page


@pytest.mark.parametrize(
    ("spoil", "words"),
    [
        (lambda content: contacts.tie_lines(content, 2, 6), ("data lines 2 and 6 of read 1", "read alike")),
        (
            lambda content: contacts.swap_lines(content, 2, 6),
            ("data lines 2 and 6 are exchanged in read 1", "put back"),
        ),
        (
            lambda content: contacts.stick_row_address(content, Geometry(2048, 64, 16, 38), 4, 0),
            ("read 1 (r1.bin) shows the same content at two addresses",),
        ),
        (lambda content: content[: 300 * PAGE].copy(), ("read 1 (r1.bin) is", "bytes shorter")),
        (
            lambda content: np.concatenate([content[320 * PAGE :], content[: 320 * PAGE]]),
            ("has its pages in another order",),
        ),
    ],
    ids=["tied", "swapped", "address", "shorter", "shuffled"],
)
def test_a_fault_of_one_read_in_three_costs_no_file(spoil: Spoil, words: tuple[str, ...], tmp_path: Path) -> None:
    files = reads(tmp_path, 3, {0: spoil}, rate=1e-3)
    result = done(tmp_path, 3)
    assert noticed(result, *words), [part.answer for part in result.evidence]
    assert honest(result, files)
    assert result.status is Status.RECOVERED


def test_an_address_fault_of_the_only_read_leaves_no_file_exact(tmp_path: Path) -> None:
    """Half of the chip cannot be seen, and newer copies may lie there."""
    files = reads(
        tmp_path,
        1,
        {0: lambda content: contacts.stick_row_address(content, Geometry(2048, 64, 16, 38), 4, 1)},
        rate=0.0,
    )
    result = done(tmp_path, 1)
    assert noticed(result, "two addresses", "read again")
    assert not any(file.state is FileState.EXACT for file in result.files)
    assert honest(result, files)


def test_a_stuck_line_of_the_only_read_is_said_before_anything_else(tmp_path: Path) -> None:
    reads(tmp_path, 1, {0: stuck}, rate=0.0)
    result = done(tmp_path, 1)
    assert result.evidence[0].question == "contacts"
    assert "one bit in 16" in result.evidence[0].answer


@pytest.mark.parametrize("stage", ["solve", "rebuild", "recover_files"])
def test_a_stopped_run_goes_on_with_its_vote(stage: str, tmp_path: Path) -> None:
    def stop() -> None:
        raise KeyboardInterrupt

    reads(tmp_path, 2, rate=2.4e-3)
    whole = recover([paths(tmp_path, 2)], tmp_path / "whole", engines=workshop.know_it_all())
    with pytest.raises(KeyboardInterrupt):
        recover([paths(tmp_path, 2)], tmp_path / "case", engines=workshop.before(workshop.know_it_all(), stage, stop))
    vote = tmp_path / "case" / ".work" / "voted0.bin"
    made = vote.stat().st_mtime_ns
    seen = []
    engines = workshop.know_it_all()

    def rebuilt(dump: Dump | Sequence[Dump], recipe: Recipe, table: PageTable | None, progress: Progress) -> Rebuilt:
        assert isinstance(dump, VotedDump)
        seen.append(dump.path.stat().st_mtime_ns)
        return engines.rebuild(dump, recipe, table, progress)

    result = recover([paths(tmp_path, 2)], tmp_path / "case", engines=replace(engines, rebuild=rebuilt))
    assert seen == [made]
    assert [file.sha256 for file in result.files] == [file.sha256 for file in whole.files]
    assert (tmp_path / "case" / "disk.img").read_bytes() == (tmp_path / "whole" / "disk.img").read_bytes()


def test_a_vote_that_was_lost_is_made_anew(tmp_path: Path) -> None:
    reads(tmp_path, 2, rate=1e-3)

    def stop() -> None:
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        recover(
            [paths(tmp_path, 2)], tmp_path / "case", engines=workshop.before(workshop.know_it_all(), "rebuild", stop)
        )
    (tmp_path / "case" / ".work" / "voted0.bin").unlink()
    assert done(tmp_path, 2).status is Status.RECOVERED


def test_the_case_is_about_all_of_its_reads(tmp_path: Path) -> None:
    reads(tmp_path, 3, rate=1e-4)
    assert done(tmp_path, 2).status is Status.RECOVERED
    with pytest.raises(CaseError, match="2 dumps, but 3"):
        done(tmp_path, 3)
    with pytest.raises(CaseError, match="2 dumps, but 1"):
        done(tmp_path, 1)
    turned = Path(f"{tmp_path / 'r2.bin'},{tmp_path / 'r1.bin'}")
    with pytest.raises(CaseError, match="another dump"):
        recover([turned], tmp_path / "case", engines=workshop.know_it_all())


def test_a_read_that_changes_under_our_hands_is_named(tmp_path: Path) -> None:
    reads(tmp_path, 2, rate=1e-4)

    def change() -> None:
        content = bytearray((tmp_path / "r2.bin").read_bytes())
        content[5] ^= 1
        (tmp_path / "r2.bin").write_bytes(content)

    engines = workshop.before(workshop.know_it_all(), "recover_files", change)
    with pytest.raises(InputError, match=r"r2\.bin: the file was changed"):
        recover([paths(tmp_path, 2)], tmp_path / "case", engines=engines)


def test_reads_of_two_chips_are_refused(tmp_path: Path) -> None:
    reads(tmp_path, 1)
    (tmp_path / "r2.bin").write_bytes(np.random.default_rng(1).bytes((tmp_path / "r1.bin").stat().st_size))
    with pytest.raises(InputError, match="not reads of one chip"):
        done(tmp_path, 2)


def test_commas_join_reads_unless_they_are_part_of_a_name(tmp_path: Path) -> None:
    (tmp_path / "a,b.bin").write_bytes(b"x")
    assert chips_of([tmp_path / "a,b.bin"]) == ((tmp_path / "a,b.bin",),)
    assert chips_of([Path("a,b"), Path("c")]) == ((Path("a"), Path("b")), (Path("c"),))
    assert chips_of([[Path("a"), Path("b")]]) == ((Path("a"), Path("b")),)
    with pytest.raises(InputError, match="a read is missing"):
        chips_of([Path("a,,b")])
