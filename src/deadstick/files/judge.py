"""How consistent are the volumes of a disk? The judge of translation hypotheses.

A wrong order of blocks puts tables, directories and file heads in wrong places. Each check below counts facts
that a right order makes true and a wrong one leaves to chance; each fact that holds adds the bits of
improbability given beside its name (rough and cautious, but the same for all hypotheses). Facts that fail add
nothing: so putting one more block in its place never lowers the score. The number of reads is bounded.
"""

from collections.abc import Callable
from dataclasses import dataclass

from deadstick.files import judge_fat, judge_other
from deadstick.files.check import Check
from deadstick.files.partitions import read_partitions
from deadstick.files.volumes import Place, find_volumes
from deadstick.rebuild.disk_protocol import SECTOR_BYTES, Disk

__all__ = ["Check", "Consistency", "check_place", "volume_consistency"]

_PARTITION_BITS = 16.0
_INSIDE_BITS = 32.0


@dataclass(frozen=True)
class Consistency:
    """The figure for one disk; the higher, the better."""

    score: float
    """Bits: the sum over the checks of `passed` times the bits of one fact."""
    checks: tuple[Check, ...]
    is_anchored: bool = True
    """A volume begins where the disk does or where a partition says, or there is none."""

    @property
    def share(self) -> float:
        """Share of the facts that hold, by their bits; 0 where there are none."""
        total = sum(check.total * check.bits for check in self.checks)
        return self.score / total if total else 0.0


def check_place(place: Place) -> tuple[Check, ...]:
    """All checks that apply to one volume."""
    checks: dict[str, Callable[[Place], tuple[Check, ...]]] = {
        "exFAT": judge_other.check_exfat,
        "NTFS": judge_other.check_ntfs,
        "ext2": judge_other.check_ext,
        "ext3": judge_other.check_ext,
        "ext4": judge_other.check_ext,
    }
    return checks.get(place.kind, judge_fat.check_fat)(place)


def volume_consistency(disk: Disk) -> Consistency:
    """Judge all volumes of a disk. An empty or scrambled disk scores 0 or little, never an error."""
    places = find_volumes(disk)
    checks: list[Check] = []
    begins = {0}
    if places.scheme:
        table = read_partitions(disk)
        begins |= {partition.first_sector for partition in table.partitions}
        good = sum(1 for p in table.partitions if any(q.first_sector == p.first_sector for q in places.places))
        checks.append(Check("partitions that hold a volume", good, len(table.partitions), _PARTITION_BITS))
    for place in places.places:
        inside = place.first_sector + place.claimed <= disk.size // SECTOR_BYTES
        checks.append(Check("volume lies inside the disk", int(inside), 1, _INSIDE_BITS))
        checks += check_place(place)
    anchored = not places.places or any(place.first_sector in begins for place in places.places)
    return Consistency(sum(c.passed * c.bits for c in checks), tuple(checks), anchored)
