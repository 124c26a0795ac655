"""Copies of directories put in order by the files that were deleted or added since."""

import numpy as np
import pytest
from copies_kit import FIELD, PAGES, RECIPE, block, order_of, written

from deadstick.rebuild.page_space import PageSpace
from deadstick.solve.blocks.deletions import additions, deletions
from deadstick.solve.blocks.filling import Fillings
from deadstick.solve.versions.versions import Versioned

PAGE, AT = 3, 96
LONG = b"\x41n\x00o\x00t\x00e\x00s\x00\x0f\x00\x73\x00\x00" + b"\xff" * 10 + b"\x00\x00" + b"\xff" * 4
SHORT = b"NOTES   TXT\x20" + bytes(10) + b"\x00\x60\x21\x5a\x03\x00\x09\x00\x00\x00"


def directory(*, deleted: bool, entries: bytes = LONG + SHORT) -> np.ndarray:
    """Data of a block of other content, with the entries of one file, live or deleted."""
    data = written(1.0).reshape(PAGES, 512)
    stored = np.frombuffer(entries, np.uint8).copy()
    if deleted:
        stored[::32] = 0xE5
    data[PAGE, AT : AT + len(stored)] = stored
    return data.reshape(-1)


def altered(place: int, value: int) -> bytes:
    """The entry of the file with another byte."""
    return SHORT[:place] + bytes([value]) + SHORT[place + 1 :]


@pytest.mark.parametrize("complement", [0x00, 0xFF])
def test_where_a_file_is_deleted_is_newer(complement: int) -> None:
    """Whether the data or their complement are seen."""
    some = [block(directory(deleted=gone) ^ complement, 5, 1 + gone) for gone in (False, True)]
    fillings = Fillings.of(PageSpace.of(np.concatenate(some), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == 1
    assert fillings.vote(1, 0) == -1


def test_a_version_is_shown_where_a_file_was_deleted_in_the_only_copies_that_differ() -> None:
    """A volume with one file less has one fact less to speak for it: nothing but the mark tells the order."""
    moved = [block(written(1.0, 2), 2, version) for version in (8, 7)]
    gone = [block(directory(deleted=version == 8), 1, version) for version in (7, 8)]
    order = order_of(*gone, *moved).of(FIELD)
    assert order.is_shown
    assert order.is_proven(Versioned(FIELD, -20.0, counted=False))
    assert not order_of(gone[0], block(directory(deleted=True), 1, 6), *moved).of(FIELD).is_shown


@pytest.mark.parametrize(
    "entries",
    [
        pytest.param(LONG, id="slot of a long name, which is the same when the file is saved anew"),
        pytest.param(altered(11, 0x08), id="volume label"),
        pytest.param(altered(3, ord("e")), id="name in small letters"),
        pytest.param(altered(24, 0x20), id="no day"),
        pytest.param(SHORT[:24] + b"\xa1\x5b" + SHORT[26:], id="thirteenth month"),
        pytest.param(altered(23, 0xC0), id="hour 24"),
        pytest.param(b"." + SHORT[1:], id="a folder's entry for itself"),
    ],
)
def test_what_is_no_entry_of_a_file_says_nothing(entries: bytes) -> None:
    live, gone = (directory(deleted=deleted, entries=entries).reshape(PAGES, 512) for deleted in (False, True))
    assert deletions(live, gone) == deletions(gone, live) == 0


def test_an_entry_that_changed_elsewhere_says_nothing() -> None:
    """Another file took the place of one that was deleted."""
    live = directory(deleted=False).reshape(PAGES, 512)
    gone = directory(deleted=True, entries=LONG + altered(26, 4)).reshape(PAGES, 512)
    assert deletions(live, gone) == deletions(gone, live) == 0


def test_files_deleted_in_either_copy_say_nothing() -> None:
    one, other = directory(deleted=True), directory(deleted=False)
    for data, first in ((one, b"N"), (other, b"\xe5")):
        data[-32:] = np.frombuffer(first + altered(1, ord("A"))[1:], np.uint8)
    fillings = Fillings.of(PageSpace.of(np.concatenate([block(one, 5, 1), block(other, 5, 2)]), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == fillings.vote(1, 0) == 0


def test_what_was_filled_and_what_was_deleted_must_agree() -> None:
    blank = np.where(np.arange(PAGES * 512) // 512 > PAGE, 0, 255).astype(np.uint8)
    filled, gone = (directory(deleted=deleted) for deleted in (False, True))
    again = block(gone & blank, 5, 2), block(filled, 5, 1)
    fillings = Fillings.of(PageSpace.of(np.concatenate(again), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == fillings.vote(1, 0) == 0
    agreed = block(filled & blank, 5, 1), block(gone, 5, 2)
    fillings = Fillings.of(PageSpace.of(np.concatenate(agreed), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == 1


def grown(slots: bytes) -> np.ndarray:
    """Data of a block of other content, with a directory that ends within its sector."""
    data = written(1.0).reshape(PAGES, 512)
    data[PAGE] = np.frombuffer(slots.ljust(512, b"\x00"), np.uint8)
    return data.reshape(-1)


def test_where_a_single_file_was_added_is_newer() -> None:
    """Its entry has fewer bytes than tell anything of other data."""
    before, after = grown(LONG + SHORT), grown(LONG + SHORT + altered(1, ord("A")))
    fillings = Fillings.of(PageSpace.of(np.concatenate([block(before, 5, 1), block(after, 5, 2)]), PAGES), RECIPE, 2)
    assert fillings.vote(0, 1) == 1
    assert fillings.vote(1, 0) == -1


@pytest.mark.parametrize(
    ("before", "after"),
    [
        pytest.param(b"", SHORT, id="nothing before it"),
        pytest.param(SHORT, SHORT + altered(24, 0x20), id="no entry"),
        pytest.param(SHORT, SHORT + LONG, id="a long name alone"),
        pytest.param(SHORT, altered(26, 4) + SHORT, id="another file before it"),
        pytest.param(SHORT, SHORT + bytes(32) + SHORT, id="unused slots before it"),
        pytest.param(SHORT + bytes(448) + SHORT, SHORT * 16, id="no end of a directory"),
    ],
)
def test_what_was_not_added_to_a_directory_says_nothing(before: bytes, after: bytes) -> None:
    one, other = (grown(slots).reshape(PAGES, 512) for slots in (before, after))
    assert additions(one, other) == additions(other, one) == 0
