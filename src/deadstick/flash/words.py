"""What was noticed about reads and contacts, in sentences, each with what to do."""

from collections.abc import Sequence
from dataclasses import dataclass

from deadstick.flash.align import Alignment, Placement
from deadstick.flash.contacts import Fault
from deadstick.flash.lines import swapped
from deadstick.flash.notice import Notice
from deadstick.flash.reads import ALL_LINES, IN_ORDER, Plan

CLEAN = "clean the contacts, seat the chip anew and read again"
_PLACE = "place of reads"
_CONTACTS = "contacts"


@dataclass(frozen=True, slots=True)
class Names:
    """What to call the reads of a chip.

    Attributes:
        files: names of the files.
        chip: of the chip, empty where there is one.
        numbers: of the reads as they were given, from 0, where some of them are looked at alone.
    """

    files: tuple[str, ...]
    chip: str = ""
    numbers: tuple[int, ...] = ()

    def read(self, number: int) -> str:
        """One read, for the middle of a sentence.

        >>> Names(("a.bin", "b.bin")).read(1), Names(("a.bin",)).read(0), Names(("a.bin", "b.bin"), "chip 2").read(0)
        ('read 2 (b.bin)', 'the read (a.bin)', 'read 1 of chip 2 (a.bin)')
        """
        of_chip = f" of {self.chip}" if self.chip else ""
        given = self.numbers[number] if self.numbers else number
        which = f"read {given + 1}" if self.numbers or len(self.files) > 1 else "the read"
        return f"{which}{of_chip} ({self.files[number]})"

    def all(self) -> str:
        """All of them."""
        return ", ".join(self.files)


def about_faults(names: Names, number: int, fault: Fault, *, alone: bool) -> Notice:
    """A contact fault of one read.

    Args:
        names: of the reads.
        number: of the read.
        fault: what was found.
        alone: whether no other read is free of that fault, so that nothing can stand in.
    """
    where = _where(fault)
    if fault.kind == "address":
        figure = f"{fault.units:,} written units have one twin at {fault.distance:,} bytes, where sound reads have none"
        answer = (
            f"{names.read(number)} shows the same content at two addresses {fault.distance:,} bytes apart{where}, as "
            f"with an address bit without effect; up to half of what lies there is not in it: {CLEAN}"
        )
        return Notice(_CONTACTS, answer, figure, fault.log10_chance, fault.start, hides=alone)
    if fault.kind == "tied":
        low, high = sorted(fault.lines)
        what = f"data lines {low} and {high} of {names.read(number)} always read alike{where}, as if they touched"
        figure = f"not one difference in {fault.units:,} written units in which both change"
        lost = "a quarter of their bits is wrong, one bit in 16 of the page"
    else:
        (line,) = fault.lines
        what = f"data line {line} of {names.read(number)} is stuck at {fault.value}{where}"
        figure = f"{fault.value} in every byte of {fault.units:,} written units, while the other lines change"
        if fault.log10_chance is None:
            figure += "; or the data itself never has this bit, as text without a scrambler does"
        lost = "about half of its bits is wrong, one bit in 16 of the page"
    rest = f"{lost}, far beyond what any usual code corrects" if alone else "the vote goes without it there"
    return Notice(_CONTACTS, f"{what}: {rest}; {CLEAN}", figure, fault.log10_chance, fault.start)


def _where(fault: Fault) -> str:
    if fault.start == 0 and fault.to_end:
        return ""
    until = "on" if fault.to_end else f"to {fault.end:,}"
    return f" from byte {fault.start:,} {until}"


def about_lines(
    names: Names, orders: Sequence[tuple[int, ...] | None], leader: int, *, is_settled: bool
) -> list[Notice]:
    """Swapped data lines.

    Args:
        names: of the reads.
        orders: of each read; None for one that is left out.
        leader: the read that the others are compared with.
        is_settled: whether it is known which reads are right.
    """
    notices = []
    for number, order in enumerate(orders):
        if order is None or order == IN_ORDER:
            continue
        lines = " and ".join(map(str, swapped(order)))
        figure = "bit for bit these lines agree with each other's places in the other reads, and not with their own"
        if is_settled:
            answer = (
                f"data lines {lines} are exchanged in {names.read(number)}; they were put back in order: check the "
                "wiring of the adapter"
            )
        else:
            answer = (
                f"data lines {lines} of {names.read(number)} are exchanged against {names.read(leader)}, and nothing "
                f"tells which of the two is right; {names.read(leader)} was taken as right: check the wiring of the "
                "adapter and read once more"
            )
        notices.append(Notice(_CONTACTS, answer, figure))
    return notices


def about_text(names: Names, number: int, found: tuple[tuple[int, ...], int, int]) -> list[Notice]:
    """The order of the data lines of a single read, told by text.

    Args:
        names: of the reads.
        number: of the read.
        found: from `lines.text_order`.
    """
    order, best, next_best = found
    if order == IN_ORDER:
        return []
    lines = " and ".join(map(str, swapped(order)))
    answer = (
        f"data lines {lines} are exchanged in {names.read(number)}; they were put back in order: check the wiring of "
        "the adapter"
    )
    figure = f"{best:,} windows of 64 bytes read as text in this order, {next_best:,} in the next best"
    return [Notice(_CONTACTS, answer, figure)]


def about_places(names: Names, found: Alignment, sizes: Sequence[int]) -> list[Notice]:
    """Reads that do not lie on the others as they stand.

    Args:
        names: of the reads.
        found: how they lie.
        sizes: bytes of each read.
    """
    notices = []
    for number, placement in enumerate(found.placements):
        if number == found.leader:
            continue
        if answer := _place(names, number, placement, found, sizes):
            figure = (
                "hardly a page of it is alike" if placement is None else f"{placement.alike:.1%} of its pages are alike"
            )
            notices.append(Notice(_PLACE, answer, figure))
    return notices


def _place(names: Names, number: int, placement: Placement | None, found: Alignment, sizes: Sequence[int]) -> str:
    read, leader = names.read(number), names.read(found.leader)
    if placement is None:
        return f"{read} is not of the same chip as {leader}; it was left out: check the labels"
    moved = [shift for shift, _ in placement.shifts if shift]
    if len(placement.shifts) > 1:
        parts = ", ".join(f"{shift:+,}" for shift, _ in placement.shifts[:4])
        held = (placement.sources >= 0).mean()
        return (
            f"{read} has its pages in another order than {leader} (parts of it moved by {parts} bytes); {held:.0%} of "
            "the chip was placed, the rest left out"
        )
    if moved:
        way = "later" if moved[0] > 0 else "earlier"
        return f"{read} begins {abs(moved[0]):,} bytes {way} than {leader}; it was moved to its place"
    missing = sizes[found.leader] - sizes[number]
    if missing > 0:
        return (
            f"{read} is {missing:,} bytes shorter than {leader}; what it lacks comes from the others: read again "
            "to the end"
        )
    return ""


def about_twins(names: Names, number: int, first: int) -> Notice:
    """A read that is the same file as another, byte for byte.

    Args:
        names: of all reads.
        number: of the read.
        first: of the read that it equals.
    """
    answer = (
        f"{names.read(number)} holds the same bytes as {names.read(first)}, as two reads of worn flash never do; it "
        "counts once: if it is a copy of the file, read the chip anew"
    )
    return Notice("reads", answer, "equal SHA-256")


def about_rates(names: Names, plan: Plan, compared: int) -> Notice:
    """How many reads the vote has, and how well they agree.

    Args:
        names: of the reads.
        plan: of the vote.
        compared: units that at least three reads hold; without any the rates are halves of one difference.
    """
    used = [number for number, read in enumerate(plan.reads) if read.pieces]
    rates = ", ".join(f"{plan.reads[number].error_rate:.2g}" for number in used)
    partial = sum(any(piece.lines != ALL_LINES for piece in plan.reads[number].pieces) for number in used)
    answer = f"{len(used)} of {len(plan.reads)} reads{f' of {names.chip}' if names.chip else ''} vote on every bit"
    if partial:
        answer += f", {partial} of them without some data lines"
    against = "their majority" if compared else "each other, halved"
    return Notice("reads", answer, f"bits that differ from {against}: {rates}")
