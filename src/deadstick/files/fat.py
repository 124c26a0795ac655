"""Files of a FAT volume, each with what its place rests on.

The reader is our own because the question is not only where a file lies but which sectors said so: a lost
sector of the allocation table must taint the files whose chain passes through it, and no others.
"""

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from deadstick.files.fat_dirs import DirContent, DirEntry, parse_directory
from deadstick.files.fat_layout import DIR_ENTRY_BYTES, FIRST_CLUSTER, FatLayout
from deadstick.files.fat_table import Chain, FatTable, follow, read_table
from deadstick.files.records import Extent, Found
from deadstick.files.sectors import range_states
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk, SectorState

SCAN_BYTES = 4 << 20
DELETED_DOUBT = "deleted: nothing proves that its sectors were not used again"
_DOT, _DOTDOT = b".          \x10", b"..         \x10"


@dataclass(frozen=True)
class FatFiles:
    """What one FAT volume holds."""

    files: tuple[Found, ...]
    label: str
    problems: tuple[str, ...]


@dataclass(frozen=True)
class _Directory:
    """A directory still to be read. `cluster` 0 is the fixed root directory."""

    path: str
    cluster: int
    parent: int
    doubts: tuple[str, ...] = ()
    deleted: bool = False
    root: bool = False


@dataclass
class _Walk:
    disk: Disk
    table: FatTable
    doubts: tuple[str, ...]
    label: str = ""
    problems: list[str] = field(default_factory=list)
    found: list[Found] = field(default_factory=list)
    chains: list[tuple[int, NDArray[np.int64]]] = field(default_factory=list)
    """(index in `found` or -1 for a directory, clusters) of everything alive."""
    visited: set[int] = field(default_factory=set)
    todo: list[_Directory] = field(default_factory=list)
    claimed: NDArray[np.uint8] = field(default_factory=lambda: np.zeros(0, np.uint8))
    """`uint8[clusters + 2]`: how many live files or directories own a cluster, cut at 255."""
    listed: NDArray[np.bool_] = field(default_factory=lambda: np.zeros(0, np.bool_))
    """`bool[clusters + 2]`: the cluster was read as part of a live directory."""


def read_fat(disk: Disk, layout: FatLayout, doubts: tuple[str, ...] = ()) -> FatFiles:
    """List the live and deleted files of a FAT volume.

    Args:
        disk: the disk, whole.
        layout: from the boot sector.
        doubts: phrases that hold for every file, such as a boot sector that is not proven.
    """
    walk = _Walk(disk, read_table(disk, layout), doubts)
    walk.claimed = np.zeros(layout.clusters + FIRST_CLUSTER, np.uint8)
    walk.listed = np.zeros(layout.clusters + FIRST_CLUSTER, np.bool_)
    if walk.table.rescued:
        walk.problems.append(f"{walk.table.rescued} sectors of the allocation table were taken from its second copy")
    walk.todo.append(_Directory("", layout.root_cluster, 0, root=True))
    _drain(walk)
    for orphan in _unreached_directories(walk):
        if orphan.cluster not in walk.visited:
            walk.todo.append(orphan)
            _drain(walk)
    _mark_shared(walk)
    _note_unclaimed(walk)
    return FatFiles(tuple(walk.found), walk.label, tuple(walk.problems))


def _drain(walk: _Walk) -> None:
    """Read directories until none is left: the live ones first, so that what they own is known."""
    later: list[_Directory] = []
    while walk.todo or later:
        if not walk.todo:
            walk.todo.append(later.pop())
        directory = walk.todo.pop()
        if directory.deleted and walk.todo:
            later.append(directory)
            continue
        if directory.cluster in walk.visited and not directory.root:
            walk.problems.append(f"directory {directory.path!r} leads to a directory already read: left out")
            continue
        walk.visited.add(directory.cluster)
        _read_directory(walk, directory)


def _directory_content(walk: _Walk, directory: _Directory) -> tuple[bytes, NDArray[np.uint8]]:
    """The bytes of a directory and the state under each of its slots."""
    layout, table = walk.table.layout, walk.table
    if directory.root and not layout.root_cluster:
        length = layout.root_entries * DIR_ENTRY_BYTES
        return walk.disk.read(layout.root_offset, length), _slot_states(walk.disk, layout.root_offset, length)
    if directory.deleted:
        clusters = np.array([directory.cluster], np.int64)
    else:
        chain = follow(table, directory.cluster, 0)
        clusters = chain.clusters
        if (owned := np.flatnonzero(walk.listed[clusters])).size:
            # Else two directories that run into one tail would list it twice, many of them without end.
            walk.problems.append(f"directory {directory.path!r} runs into another: cut there")
            clusters = clusters[: owned[0]]
        walk.listed[clusters] = True
        _note_directory_chain(walk, directory, chain)
        walk.chains.append((-1, clusters))
        _claim(walk, clusters)
    content, states, weak = [], [], False
    for cluster in clusters:
        offset = layout.cluster_offset(int(cluster))
        content.append(walk.disk.read(offset, layout.cluster_bytes).ljust(layout.cluster_bytes, b"\0"))
        own = _slot_states(walk.disk, offset, layout.cluster_bytes)
        states.append(np.maximum(own, SectorState.DOUBTFUL) if weak else own)
        # What follows in the directory rests on this entry of the table.
        weak = weak or table.states[cluster] != SectorState.EXACT or bool(table.disputed[cluster])
    return b"".join(content), np.concatenate(states) if states else np.zeros(0, np.uint8)


def _slot_states(disk: Disk, offset: int, length: int) -> NDArray[np.uint8]:
    return np.repeat(range_states(disk, offset, length), SECTOR_BYTES // DIR_ENTRY_BYTES)


def _note_directory_chain(walk: _Walk, directory: _Directory, chain: Chain) -> None:
    name = directory.path or "/"
    if not chain.ended:
        walk.problems.append(f"directory {name!r}: its chain breaks off, entries may be missing")
    if chain.doubts:
        walk.problems.append(f"directory {name!r}: {'; '.join(chain.doubts)}")


def _claim(walk: _Walk, clusters: NDArray[np.int64]) -> None:
    walk.claimed[clusters] = np.minimum(walk.claimed[clusters], 254) + 1


def _read_directory(walk: _Walk, directory: _Directory) -> None:
    layout = walk.table.layout
    content, states = _directory_content(walk, directory)
    parsed = parse_directory(content, states, layout, all_deleted=directory.deleted)
    name = directory.path or "/"
    if lost := int((states == SectorState.LOST).sum()) * DIR_ENTRY_BYTES // SECTOR_BYTES:
        walk.problems.append(f"directory {name!r}: {lost} of its sectors are lost, entries may be missing")
    if parsed.implausible:
        walk.problems.append(f"directory {name!r}: {parsed.implausible} slots hold no possible entry: left out")
    if directory.root:
        walk.label = parsed.label
    elif directory.deleted and parsed.dot != directory.cluster:
        walk.problems.append(f"deleted directory {name!r}: its cluster was used again, nothing left to list")
        return
    doubts = directory.doubts + _own_doubts(parsed, directory, states)
    for entry in parsed.entries:
        _take_entry(walk, directory, entry, doubts)


def _own_doubts(parsed: DirContent, directory: _Directory, states: NDArray[np.uint8]) -> tuple[str, ...]:
    if directory.root or directory.deleted or (len(states) and states[0] != SectorState.EXACT):
        return ()  # an unproven first sector taints the entries that it holds; the others stand for themselves
    if parsed.dot != directory.cluster or parsed.dotdot != directory.parent:
        return ("the first entries of its directory point elsewhere",)
    return ()


def _take_entry(walk: _Walk, directory: _Directory, entry: DirEntry, doubts: tuple[str, ...]) -> None:
    path = f"{directory.path}/{entry.name}" if directory.path else entry.name
    inherited = doubts + (("the entry of its directory is not proven",) if entry.doubts else ())
    if entry.is_directory:
        parent = 0 if directory.root else directory.cluster
        if not walk.table.layout.holds(entry.cluster):
            walk.problems.append(f"directory {path!r} has no cluster: left out")
        elif entry.deleted and not walk.table.is_free(entry.cluster):
            walk.problems.append(f"deleted directory {path!r}: its cluster was used again, nothing left to list")
        elif entry.cluster == walk.table.layout.root_cluster or entry.cluster in walk.visited:
            walk.problems.append(f"directory {path!r} leads to a directory already read: left out")
        else:
            walk.todo.append(_Directory(path, entry.cluster, parent, inherited, entry.deleted))
        return
    base = Found(
        path=path,
        size=entry.size,
        doubts=walk.doubts + doubts + entry.doubts,
        modified=entry.modified,
        created=entry.created,
        accessed=entry.accessed,
        deleted=entry.deleted,
    )
    walk.found.append(_place_deleted(walk, base, entry) if entry.deleted else _place_live(walk, base, entry))


def _place_live(walk: _Walk, base: Found, entry: DirEntry) -> Found:
    layout = walk.table.layout
    if entry.size == 0:
        extra = ("it has clusters but no size",) if entry.cluster else ()
        return replace(base, doubts=base.doubts + extra)
    wanted = -(-entry.size // layout.cluster_bytes)
    chain = follow(walk.table, entry.cluster, wanted)
    clusters, doubts, missing = chain.clusters, list(chain.doubts), ""
    if len(clusters) < wanted:
        missing = f"its chain ends after {len(clusters)} of {wanted} clusters"
    elif len(clusters) > wanted or not chain.ended:
        doubts.append("its chain does not end where its size says")
    clusters = clusters[:wanted]
    walk.chains.append((len(walk.found), clusters))
    _claim(walk, clusters)
    return replace(
        base,
        extents=cluster_extents(layout, clusters, entry.size),
        doubts=base.doubts + tuple(doubts),
        missing=missing,
    )


def _place_deleted(walk: _Walk, base: Found, entry: DirEntry) -> Found:
    """Place a deleted file on the free clusters from its first one on: deletion cleared its chain."""
    layout, doubts = walk.table.layout, (*base.doubts, DELETED_DOUBT)
    if entry.size == 0:
        return replace(base, doubts=doubts)
    if not walk.table.is_free(entry.cluster):
        return replace(base, doubts=doubts, missing="its first cluster was given to another file")
    wanted = -(-entry.size // layout.cluster_bytes)
    clusters = _free_from(walk.table, entry.cluster, wanted)
    if len(clusters) and int(clusters[-1]) - entry.cluster + 1 > wanted:
        doubts = (*doubts, "its clusters do not follow each other, the free ones after its first were taken")
    missing = f"only {len(clusters)} of {wanted} clusters are still free" if len(clusters) < wanted else ""
    return replace(base, extents=cluster_extents(layout, clusters, entry.size), doubts=doubts, missing=missing)


def _free_from(table: FatTable, start: int, wanted: int) -> NDArray[np.int64]:
    """The first `wanted` free clusters from `start` on, looked for in windows that grow."""
    window = 2 * wanted
    while True:
        free = np.flatnonzero(table.entries[start : start + window] == 0)
        if len(free) >= wanted or start + window >= len(table.entries):
            return free[:wanted].astype(np.int64) + start
        window *= 4


def cluster_extents(layout: FatLayout, clusters: NDArray[np.int64], size: int) -> tuple[Extent, ...]:
    """Runs of clusters that follow each other, cut at the end of the file."""
    if not len(clusters):
        return ()
    breaks = np.flatnonzero(np.diff(clusters) != 1) + 1
    firsts = np.concatenate([[0], breaks])
    ends = np.concatenate([breaks, [len(clusters)]])
    out = []
    for first, end in zip(firsts.tolist(), ends.tolist(), strict=True):
        begin = first * layout.cluster_bytes
        length = min(end * layout.cluster_bytes, size) - begin
        out.append(Extent(begin, layout.cluster_offset(int(clusters[first])), length))
    return tuple(out)


def _mark_shared(walk: _Walk) -> None:
    """Files that share a cluster with another are doubtful: one of them must be wrong."""
    shared = walk.claimed > 1
    for index, clusters in walk.chains:
        count = int(shared[clusters].sum())
        if count and index >= 0:
            file = walk.found[index]
            text = f"{count} of its clusters are claimed by another file or directory too"
            walk.found[index] = replace(file, doubts=(*file.doubts, text))
    if shared.any():
        walk.problems.append(f"{int(shared.sum())} clusters are claimed more than once")


def _note_unclaimed(walk: _Walk) -> None:
    entries, table = walk.table.entries, walk.table
    allocated = (entries != 0) & (entries != table.end_mark - 1) & (table.states == SectorState.EXACT)
    allocated[:FIRST_CLUSTER] = False
    if count := int((allocated & (walk.claimed == 0)).sum()):
        walk.problems.append(f"{count} allocated clusters belong to no file that was found")


def _unreached_directories(walk: _Walk) -> list[_Directory]:
    """Directories that start in a cluster which nothing found so far owns, parents before children."""
    starts = {c: (parent, live) for c, parent, live in _directory_starts(walk)}
    out = []
    for cluster, (parent, live) in sorted(starts.items(), key=lambda item: item[1][0] in starts):
        doubts = ("no directory leads to the one that lists it",)
        out.append(_Directory(f"unreached-{cluster}", cluster, parent, doubts, deleted=not live))
    if out:
        walk.problems.append(f"{len(out)} directories are reached from no other: listed as unreached-<cluster>")
    return out


def _directory_starts(walk: _Walk) -> Iterator[tuple[int, int, bool]]:
    """(cluster, parent, alive) of every unowned cluster that starts with the entries `.` and `..`."""
    layout = walk.table.layout
    for first, count in _unowned_runs(walk):
        offset = layout.cluster_offset(first)
        states = range_states(walk.disk, offset, count * layout.cluster_bytes)
        if (states == SectorState.UNWRITTEN).all():
            continue
        data = walk.disk.read(offset, count * layout.cluster_bytes)
        rows = np.frombuffer(data, np.uint8)
        rows = rows[: len(rows) // layout.cluster_bytes * layout.cluster_bytes]
        heads = rows.reshape(-1, layout.cluster_bytes)[:, : 2 * DIR_ENTRY_BYTES]
        for index in np.flatnonzero((heads[:, 0] == _DOT[0]) & (heads[:, 32] == _DOT[0])).tolist():
            head = heads[index].tobytes()
            own = parse_directory(head, np.zeros(2, np.uint8), layout)
            cluster = first + index
            dots = head.startswith(_DOT) and head[DIR_ENTRY_BYTES:].startswith(_DOTDOT)
            if dots and own.dot == cluster and cluster not in walk.visited:
                yield cluster, own.dotdot or 0, not walk.table.is_free(cluster)


def _unowned_runs(walk: _Walk) -> Iterator[tuple[int, int]]:
    """(first, count) of runs of clusters that nothing alive owns, in pieces of bounded size."""
    unowned = np.flatnonzero(walk.claimed[FIRST_CLUSTER:] == 0) + FIRST_CLUSTER
    if not len(unowned):
        return
    piece = max(1, SCAN_BYTES // walk.table.layout.cluster_bytes)
    for run in np.split(unowned, np.flatnonzero(np.diff(unowned) != 1) + 1):
        for begin in range(0, len(run), piece):
            yield int(run[begin]), min(piece, len(run) - begin)
