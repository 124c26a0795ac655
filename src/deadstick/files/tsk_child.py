"""The worker that walks a volume with pytsk3; run as `python -m deadstick.files.tsk_child`.

It holds no file of its own: every read goes to the parent, which thereby knows which sectors the walk rests
on. Frames to the parent: `read` (answered with bytes), `file`, `label`, `problem`, `done`.
"""

import struct
from collections.abc import Iterator
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from typing import Any, BinaryIO

import pytsk3

from deadstick.files.exfat_entry import ENTRY_BYTES, parse_entry
from deadstick.files.ext_record import recorded_size
from deadstick.files.finding import first_line
from deadstick.files.ntfs_record import LOG_BYTES, fix_record, initialised_size, log_is_clean
from deadstick.files.wire import MAX_BYTES, read_frame, write_frame
from deadstick.files.worker import limit_memory, take_standard_streams

MEMORY_BYTES = 4 << 30
HOLE = -1
MAX_PATH = 4096
MAX_SWEEP = 1_000_000
PEEK_BYTES, PEEKED = 1 << 16, 16
MAX_GROWTH = 4
"""Bytes of a file that no directory lists, in bytes of the disk: a larger one is a record gone mad."""
FIRST_EXFAT_ENTRY = 3  # the library numbers the 32-byte slots of the cluster heap from here
_NTFS_FILE_NAME, _NTFS_NAME, _NTFS_INFO, _NTFS_DATA, _NTFS_REPARSE = 0x30, 0x60, 0x70, 0x80, 0xC0
_NTFS_LOG, _FIRST_NTFS_USER, _NTFS_EXTEND = 2, 24, "$Extend"
_FIRST_EXT_USER = 11  # by default, and on every volume of revision 0
_DIRTY = 1
_GATHERED = "$OrphanFiles"  # the library's own directory of files that no directory lists
_LABEL_ENTRY = " (Volume Label Entry)"  # how the library names it

UNNAMED = "no directory lists it: found by its record"
DELETED = "deleted: nothing proves that its sectors were not used again"
REUSED = "its record was given to another file"


class Image(pytsk3.Img_Info):  # type: ignore[misc] # the library has no types
    """The disk, by way of the parent."""

    def __init__(self, source: BinaryIO, sink: BinaryIO, size: int) -> None:
        self.source, self.sink, self.bytes, self.phase = source, sink, size, "tables"
        super().__init__(url="", type=pytsk3.TSK_IMG_TYPE_EXTERNAL)

    def read(self, offset: int, length: int) -> bytes:
        """Called by the library."""
        write_frame(self.sink, {"read": offset, "length": length, "phase": self.phase})
        frame = read_frame(self.source)
        return frame[1] if frame else b""

    def get_size(self) -> int:
        """Called by the library."""
        return self.bytes


@dataclass
class Walk:
    """One pass over one volume."""

    image: Image
    volume: Any
    kind: str
    start: int
    """Byte of the disk at which the volume starts."""
    deleted: bool
    """Whether to look for deleted and unreached files."""
    seen: set[int] = field(default_factory=set)
    directories: dict[int, str] = field(default_factory=dict)
    """Number of a directory's record -> its path."""
    left_out: dict[str, int] = field(default_factory=dict)
    peeked: dict[int, bytes] = field(default_factory=dict)

    def say(self, message: dict[str, Any], payload: bytes = b"") -> None:
        """Send one frame."""
        write_frame(self.image.sink, message, payload)

    def problem(self, text: str) -> None:
        """Report something that was skipped."""
        self.say({"problem": text})

    def run(self) -> None:
        """Walk from the root, then look for what no directory lists."""
        self._about_volume()
        todo, later = [("", int(self.volume.info.root_inum), False)], list[tuple[str, int, bool]]()
        while todo:
            path, inode, deleted = todo.pop()
            for below in self._directory(path, inode, deleted=deleted):
                # What the library gathers itself costs a search of the whole volume: after all the rest.
                (later if below[0] == _GATHERED else todo).append(below)
        if self.deleted:
            self.image.phase = "search"
            while later:
                path, inode, deleted = later.pop()
                later += self._directory(path, inode, deleted=deleted)
            self._sweep()
        for what, count in self.left_out.items():
            self.problem(f"{count} {what}: left out")
        self.say({"done": True})

    def _about_volume(self) -> None:
        if self.kind != "NTFS":
            return
        label, doubt = b"", ""
        for attribute in self.volume.open_meta(inode=3):
            kind, number, size = int(attribute.info.type), attribute.info.id, attribute.info.size
            content = self.volume.open_meta(inode=3).read_random(0, size, attribute.info.type, number) if size else b""
            if kind == _NTFS_NAME:
                label = content
            elif kind == _NTFS_INFO and len(content) >= 12 and struct.unpack_from("<H", content, 10)[0] & _DIRTY:
                doubt = "the volume was not closed: its journal may hold changes that never reached their place"
        if not doubt and not log_is_clean(self.volume.open_meta(inode=_NTFS_LOG).read_random(0, LOG_BYTES)):
            doubt = "its journal holds changes that may never have reached their place"
        self.say({"label": label.decode("utf-16-le", "replace"), "doubt": doubt})

    def _directory(self, path: str, inode: int, *, deleted: bool) -> list[tuple[str, int, bool]]:
        if inode in self.directories or len(path) > MAX_PATH:
            self.problem(f"directory {path!r} leads to one already read: left out")
            return []
        self.directories[inode] = path
        self.seen.add(inode)
        below: list[tuple[str, int, bool]] = []
        try:
            for entry in self.volume.open_dir(inode=inode):
                below += self._entry(path, entry, deleted=deleted)
        except (OSError, RuntimeError) as error:
            self.problem(f"directory {path or '/'!r} could not be read to its end: {first_line(error)}")
        return below

    def _entry(self, folder: str, entry: Any, *, deleted: bool) -> list[tuple[str, int, bool]]:
        name_info, meta = entry.info.name, entry.info.meta
        name = (name_info.name or b"").decode("utf-8", "replace")
        if self.kind == "exFAT" and name.endswith(_LABEL_ENTRY):
            self.say({"label": name.removesuffix(_LABEL_ENTRY), "doubt": ""})
            return []
        gone = deleted or bool(int(name_info.flags) & int(pytsk3.TSK_FS_NAME_FLAG_UNALLOC))
        if name in (".", "..") or self._is_own(name, name_info, meta) or (gone and not self.deleted):
            return []
        path = f"{folder}/{name}" if folder else name
        if self.kind == "NTFS" and path.split("/", 1)[0] == _NTFS_EXTEND:
            return self._own_files(path, name_info, meta)
        if meta is None:
            if gone:
                self._count("deleted names without a record")
            else:
                self.problem(f"{path!r}: its record cannot be read")
                self.say({"file": {"path": path, "size": 0, "live": True, "missing": "its record cannot be read"}})
            return []
        inode, kind = int(meta.addr), meta.type
        in_use = bool(int(meta.flags) & int(pytsk3.TSK_FS_META_FLAG_ALLOC))
        if kind in (pytsk3.TSK_FS_META_TYPE_DIR, pytsk3.TSK_FS_META_TYPE_VIRT_DIR):
            reused = gone and in_use and kind == pytsk3.TSK_FS_META_TYPE_DIR
            return [] if reused or (gone and inode in self.directories) else [(path, inode, gone)]
        if kind == pytsk3.TSK_FS_META_TYPE_LNK:
            self._count("symbolic links")
        elif kind == pytsk3.TSK_FS_META_TYPE_REG:
            self._file(path, entry, gone=gone, in_use=in_use)
        elif not gone:
            self._count("entries that are neither file nor directory")
        return []

    def _is_own(self, name: str, name_info: Any, meta: Any) -> bool:
        """Whether an entry belongs to the file system itself, or was made up by the library."""
        if name == _GATHERED:
            return self.kind != "exFAT" or not self.deleted
        if self.kind == "NTFS":
            return int(name_info.meta_addr) < _FIRST_NTFS_USER and name != _NTFS_EXTEND
        if self.kind == "exFAT":
            virtual = meta is not None and meta.type == pytsk3.TSK_FS_META_TYPE_VIRT
            return virtual or name in ("$ALLOC_BITMAP", "$UPCASE_TABLE")
        return False

    def _own_files(self, path: str, name_info: Any, meta: Any) -> list[tuple[str, int, bool]]:
        """What NTFS keeps for itself below $Extend: visited, so that it does not count as unreached."""
        self.seen.add(int(name_info.meta_addr))
        is_directory = meta is not None and meta.type == pytsk3.TSK_FS_META_TYPE_DIR
        return [(path, int(meta.addr), False)] if is_directory else []

    def _count(self, what: str) -> None:
        self.left_out[what] = self.left_out.get(what, 0) + 1

    def _file(self, path: str, entry: Any, *, gone: bool, in_use: bool, doubt: str = "") -> None:
        meta = entry.info.meta
        doubts = [text for text in (doubt, DELETED if gone else "") if text]
        base: dict[str, Any] = {"path": path, "id": int(meta.addr), "size": int(meta.size), "live": not gone}
        base["times"] = [_iso(meta, name) for name in ("mtime", "crtime", "atime")]
        if gone and in_use:
            self.say({"file": {**base, "doubts": doubts, "missing": REUSED}})
            return
        if not gone and not in_use:
            doubts.append("a live name leads to a record that is not in use")
        self.seen.add(int(meta.addr))
        valid = self._exfat_details(base, int(meta.addr)) if self.kind == "exFAT" else None
        if self.kind == "exFAT" and valid is None and meta.size:
            doubts.append("how much of it was ever written is not known")
        if self.kind == "NTFS" and any(int(attribute.info.type) == _NTFS_REPARSE for attribute in entry):
            doubts.append("it has a reparse point: its content may lie elsewhere")
        if meta.size < 0:
            self.say({"file": {**base, "size": 0, "doubts": doubts, "missing": "its record names an impossible size"}})
            return
        streams = 0
        for attribute in _data_attributes(entry):
            streams += 1
            try:
                self._stream(base, entry, attribute, doubts, valid)
            except (OSError, RuntimeError, MemoryError) as error:
                self.say({"file": {**base, "doubts": doubts, "missing": f"it cannot be read: {first_line(error)}"}})
        if not streams:
            text = "it has no content of its own" if meta.size else ""
            self.say({"file": {**base, "doubts": doubts, "missing": text}})

    def _stream(self, base: dict[str, Any], entry: Any, attribute: Any, doubts: list[str], valid: int | None) -> None:
        info = attribute.info
        name = (info.name or b"").decode("utf-8", "replace")
        stream = self.kind == "NTFS" and name not in ("", "$Data")
        size, flags = int(info.size), int(info.flags)
        record = {**base, "path": f"{base['path']}:{name}" if stream else base["path"], "size": size}
        own = list(doubts)
        packed = flags & (int(pytsk3.TSK_FS_ATTR_COMP))
        if flags & int(pytsk3.TSK_FS_ATTR_ENC):
            own.append("the volume holds it encrypted")
        if self.kind == "NTFS" and flags & int(pytsk3.TSK_FS_ATTR_NONRES) and not packed and size:
            valid = self._initialised(base["id"], int(info.id))
            if valid is None:
                own.append("how much of it was ever written is not known")
        extents, missing = self._extents(attribute, size)
        done = extents[-1][0] + extents[-1][2] if extents else 0
        if self.kind.startswith("ext") and base["live"] and done < size:
            extents.append([done, HOLE, size - done])  # a hole up to the end has no extent
        record["extents"] = extents if valid is None else cut_valid(extents, valid)
        record["doubts"], record["missing"] = own, missing
        if not (packed or flags & int(pytsk3.TSK_FS_ATTR_RES)) or size == 0:
            self.say({"file": record})
        elif size > MAX_BYTES // 2:
            self.say({"file": {**record, "extents": [], "missing": "packed, and too large to unpack"}})
        else:
            before, self.image.phase = self.image.phase, "content"
            content = entry.read_random(0, size, info.type, info.id)
            self.image.phase = before
            if len(content) < size:
                record["doubts"] = [*own, "it ends early when unpacked"]
            self.say({"file": {**record, "inline": True}}, content)

    def _extents(self, attribute: Any, size: int) -> tuple[list[list[int]], str]:
        """[file offset, disk offset, bytes] of each run, and what is missing."""
        block, out, missing = int(self.volume.info.block_size), [], ""
        sparse = int(pytsk3.TSK_FS_ATTR_RUN_FLAG_SPARSE)
        unknown = int(pytsk3.TSK_FS_ATTR_RUN_FLAG_FILLER)
        if self.kind.startswith("ext"):
            # Between extents the library puts fillers; in a tree of extents that is what a hole looks like.
            sparse, unknown = sparse | unknown, 0
        for run in attribute:
            begin, flags = int(run.offset) * block, int(run.flags)
            length = min(int(run.len) * block, size - begin)
            if length <= 0:
                break
            if flags & unknown:
                missing = "a part of its run list is missing"
            else:
                place = HOLE if flags & sparse else self.start + int(run.addr) * block
                out.append([begin, place, length])
        return out, missing

    def _initialised(self, inode: int, identifier: int) -> int | None:
        size = self._record_bytes()
        record = fix_record(self.volume.open_meta(inode=0).read_random(inode * size, size))
        return None if record is None else initialised_size(record, _NTFS_DATA, identifier)

    def _record_bytes(self) -> int:
        boot = self.image.read(self.start, 512)
        sector, per_cluster, size = *struct.unpack_from("<HB", boot, 11), struct.unpack_from("<b", boot, 0x40)[0]
        return 1 << -size if size < 0 else int(size * sector * per_cluster)

    def _exfat_details(self, base: dict[str, Any], inode: int) -> int | None:
        """Fill in the times as the entry has them; returns how many bytes were ever written."""
        boot = self.image.read(self.start, 512)
        heap = struct.unpack_from("<I", boot, 88)[0] << boot[108]
        slot = self.start + heap + (inode - FIRST_EXFAT_ENTRY) * ENTRY_BYTES
        entry = parse_entry(self.image.read(slot, 2 * ENTRY_BYTES))
        if entry is None:
            return None
        base["times"] = [entry.modified, entry.created, entry.accessed]
        return entry.valid_bytes

    def _sweep(self) -> None:
        """Records that no directory lists: live ones whose directory is lost, and deleted ones."""
        if self.kind == "exFAT":
            return  # its orphans come as a directory made up by the library
        # The records before these hold the volume's own tables.
        first = _FIRST_NTFS_USER if self.kind == "NTFS" else _FIRST_EXT_USER
        last = int(self.volume.info.last_inum)
        if last - first > MAX_SWEEP:
            self.problem(f"only the first {MAX_SWEEP} file records were searched for files that no directory lists")
            last = first + MAX_SWEEP
        for inode in range(first, last):
            if inode not in self.seen:
                self._swept(inode)

    def _swept(self, inode: int) -> None:
        if self.kind.startswith("ext"):
            size = recorded_size(self._peek, self.start, inode)
            if size is not None and size > MAX_GROWTH * self.image.bytes:
                self._count("file records of impossible size")
                return
        try:
            file = self.volume.open_meta(inode=inode)
        except OSError:
            self._count("file records that cannot be read")
            return
        meta = file.info.meta
        if meta is None or meta.type != pytsk3.TSK_FS_META_TYPE_REG:
            return
        in_use = bool(int(meta.flags) & int(pytsk3.TSK_FS_META_FLAG_ALLOC))
        if not meta.size and not in_use:  # nothing left of it, not even a size
            return
        path = self._record_path(file) or f"unreached/record-{inode}"
        self._file(path, file, gone=not in_use, in_use=in_use, doubt=UNNAMED)

    def _peek(self, offset: int, length: int) -> bytes:
        """A few bytes of the disk, asked for in larger pieces that are kept."""
        first, out = offset // PEEK_BYTES, b""
        for piece in range(first, (offset + length - 1) // PEEK_BYTES + 1):
            if piece not in self.peeked:
                while len(self.peeked) >= PEEKED:
                    del self.peeked[next(iter(self.peeked))]
                self.peeked[piece] = self.image.read(piece * PEEK_BYTES, PEEK_BYTES)
            out += self.peeked[piece]
        return out[offset - first * PEEK_BYTES :][:length]

    def _record_path(self, file: Any) -> str:
        """The path that a record of NTFS claims for itself, empty for none."""
        name, parent = "", -1
        for attribute in file if self.kind == "NTFS" else ():
            info = attribute.info
            if int(info.type) == _NTFS_FILE_NAME and info.size >= 66:
                text = file.read_random(0, info.size, info.type, info.id)
                own = text[66 : 66 + 2 * text[64]].decode("utf-16-le", "replace").replace("/", "_")
                if len(own) > len(name):  # the longer of the long and the 8.3 name
                    name, parent = own, int.from_bytes(text[:6], "little")
        folder = self.directories.get(parent, f"unreached/record-{parent}")
        return f"{folder}/{name}" if folder and name else name


def _data_attributes(entry: Any) -> Iterator[Any]:
    for attribute in entry:
        if attribute.info.type in (pytsk3.TSK_FS_ATTR_TYPE_DEFAULT, pytsk3.TSK_FS_ATTR_TYPE_NTFS_DATA):
            yield attribute


def cut_valid(extents: list[list[int]], valid: int) -> list[list[int]]:
    """Turn what lies beyond the first `valid` bytes of a file into holes.

    >>> cut_valid([[0, 4096, 1024]], 600)
    [[0, 4096, 600], [600, -1, 424]]
    """
    out = []
    for begin, place, length in extents:
        keep = max(0, min(length, valid - begin))
        if keep:
            out.append([begin, place, keep])
        if keep < length:
            out.append([begin + keep, HOLE, length - keep])
    return out


def _iso(meta: Any, name: str) -> str:
    seconds, nanoseconds = int(getattr(meta, name, 0) or 0), int(getattr(meta, f"{name}_nano", 0) or 0)
    if seconds == 0:
        return ""
    moment = datetime(1970, 1, 1, tzinfo=UTC)
    try:
        return (moment + timedelta(seconds=seconds, microseconds=nanoseconds // 1000)).isoformat()
    except OverflowError:
        return ""


def _serve() -> None:
    source, sink = take_standard_streams()
    limit_memory(MEMORY_BYTES)
    frame = read_frame(source)
    if frame is None:
        return
    order = frame[0]
    image = Image(source, sink, int(order["size"]))
    try:
        volume = pytsk3.FS_Info(image, offset=int(order["start"]))
    except (OSError, RuntimeError) as error:
        write_frame(sink, {"problem": f"the volume does not open: {first_line(error)}"})
        write_frame(sink, {"done": False})
        return
    walk = Walk(image, volume, str(order["kind"]), int(order["start"]), bool(order["deleted"]))
    try:
        walk.run()
    except Exception as error:  # noqa: BLE001 - the parent must hear of it: the standard streams lead nowhere
        walk.problem(f"the walk broke off: {type(error).__name__}: {first_line(error)}")
        walk.say({"done": False})


if __name__ == "__main__":
    _serve()
