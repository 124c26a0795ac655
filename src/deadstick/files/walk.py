"""exFAT, NTFS and ext volumes through The Sleuth Kit's library, in a worker process."""

from dataclasses import dataclass

from deadstick.files.records import Found
from deadstick.files.volumes import Place


@dataclass(frozen=True)
class OtherFiles:
    """What one volume holds."""

    files: tuple[Found, ...]
    label: str
    problems: tuple[str, ...]


def read_other(place: Place) -> OtherFiles:
    """List the files of a volume that is no FAT."""
    return OtherFiles((), "", (f"{place.kind} volumes are not read yet",))
