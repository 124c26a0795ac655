"""Are dumps single chips, or chips on one wide bus whose bytes are to be taken in turn?

Asked before the code, for half of the bytes of a codeword are no codeword. Two things that lie next to each other in
the stream of the controller do so in the dump of a chip, or only in dumps that were joined rightly:

- bare output of the scrambler's shift register (`register`). Every second byte of it is no output of a register that
  short: by bits it is eight registers, run in turn.
- words that file formats and volumes are known by, in four bytes or more, where nothing is scrambled.

Both are counted in each dump alone and in each ordered pair of dumps. Chips on one bus are also erased and written
together: dumps that are erased at different places are not joined.
"""

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.files.content import SIGNATURES
from deadstick.rebuild.page_source import woven
from deadstick.solve.common.evidence import Finding, Rival
from deadstick.solve.hints.hints import InterleaveHint
from deadstick.solve.interleave.interleave_orders import Chips
from deadstick.solve.register.register import WINDOW_BYTES, find_registers

CHUNK_BYTES = 1 << 18
CHUNKS = 8
"""So many stretches of each dump are looked at."""
STRETCH_BYTES = 4096
FEWEST_WITNESSES = 4
CLEAR_RATIO = 4
"""One count must be so many times the other to decide."""
APART_SHARE = 0.05
"""Share of stretches erased in one dump alone that joined chips do not have."""
WORDS = (b"FAT32   ", b"FAT16   ", b"FAT12   ", b"EXFAT   ", b"NTFS    ", b"FILE0", b"RRaA", b"rrAa", b"NO NAME ")

Bytes = NDArray[np.uint8]


@dataclass(frozen=True)
class Joined:
    """How dumps may be joined.

    Attributes:
        choices: what to try, the likeliest first; one where the statistics decide.
        finding: what speaks for it.
    """

    choices: tuple[Chips, ...]
    finding: Finding


def find_joined(dumps: Sequence[Bytes]) -> Joined:
    """Compare dumps alone and in pairs.

    Args:
        dumps: `uint8[bytes]` each, at least two.
    """
    parts = _sampled(dumps)
    single = tuple((dump,) for dump in range(len(dumps)))
    apart = _erased_apart(parts)
    alone = [witnesses(part) for part in parts]
    if len(dumps) % 2 or apart > APART_SHARE:
        figure = f"{apart:.0%} of the stretches are erased in one dump and written in another"
        if len(dumps) % 2:
            figure = f"{len(dumps)} dumps are no pairs"
        return Joined((single,), Finding("bus", "each dump is a chip of its own", figure, None))
    pairs = {pair: witnesses(woven([parts[dump] for dump in pair])) for pair in permutations(range(len(dumps)), 2)}
    matched = _matched(pairs, len(dumps))
    in_pairs, by_themselves = min(pairs[pair] for pair in matched), max(alone)
    figure = (
        "words and register output in one piece, in samples: "
        + ", ".join(f"{count} in dump {dump}" for dump, count in enumerate(alone))
        + "; joined byte by byte: "
        + ", ".join(f"{pairs[pair]} in {pair[0]} and {pair[1]}" for pair in matched)
    )
    others = [pair for pair in pairs if pair not in matched]
    rivals = tuple(Rival(f"dumps {a} and {b} byte by byte", f"{pairs[a, b]} in one piece") for a, b in others[:6])
    log10_chance = -in_pairs * 8.0 * np.log10(2.0)
    if in_pairs >= max(FEWEST_WITNESSES, CLEAR_RATIO * by_themselves):
        answer = "; ".join(f"dumps {a} and {b} byte by byte" for a, b in matched)
        return Joined((matched,), Finding("bus", answer, figure, float(log10_chance), rivals))
    if by_themselves >= max(FEWEST_WITNESSES, CLEAR_RATIO * max(pairs.values())):
        log10_chance = -by_themselves * 8.0 * np.log10(2.0)
        answer = "each dump is a chip of its own"
        return Joined((single,), Finding("bus", answer, figure, float(log10_chance), rivals))
    turned = tuple(pair[::-1] for pair in matched)
    answer = "open: what the code says decides"
    return Joined((single, tuple(sorted(matched)), tuple(sorted(turned))), Finding("bus", answer, figure, None, rivals))


def joined_as(found: Joined, known: InterleaveHint | None) -> Joined:
    """What the user knows of it, unless the statistics have decided for something else.

    Args:
        found: by the statistics.
        known: of the interleave.

    Raises:
        HintError: the statistics contradict it.
    """
    if known is None or known.chips is None or found.choices == (known.chips,):
        return found
    # Nothing speaks of three or more chips on one bus, for or against.
    if len(found.choices) == 1 and len(known.chips[0]) <= 2 and len(known.chips) * len(known.chips[0]) % 2 == 0:
        raise HintError(
            f"the interleave of the recipe file ({known.describe()}) does not fit: {found.finding.answer}"
            f" ({found.finding.figure})"
        )
    answer = f"as the recipe file has it: {known.describe()}"
    return Joined((known.chips,), replace(found.finding, answer=answer, log10_chance=None))


def witnesses(data: Bytes) -> int:
    """Windows of bare register output, and words of formats, in a part of a dump or its complement."""
    registers = find_registers(data)
    text, complement = data.tobytes(), (~data).tobytes()
    words = [*WORDS, *(magic for _, _, magic in SIGNATURES if len(magic) > 3)]
    found = sum(text.count(word) + complement.count(word) for word in words)
    return found + (registers[0].windows if registers else 0)


def _matched(pairs: dict[tuple[int, int], int], dumps: int) -> tuple[tuple[int, int], ...]:
    """Ordered pairs that use every dump once, those with most witnesses first chosen."""
    free, chosen = set(range(dumps)), []
    for pair in sorted(pairs, key=lambda item: (-pairs[item], item)):
        if free.issuperset(pair):
            chosen.append(pair)
            free -= set(pair)
    return tuple(sorted(chosen))


def _sampled(dumps: Sequence[Bytes]) -> list[Bytes]:
    """Stretches of each dump at the same places."""
    size = min(len(dump) for dump in dumps)
    if size <= CHUNK_BYTES * CHUNKS:
        return [dump[:size] for dump in dumps]
    places = np.linspace(0, size - CHUNK_BYTES, CHUNKS).astype(np.int64)
    return [np.concatenate([dump[place : place + CHUNK_BYTES] for place in places]) for dump in dumps]


def _erased_apart(parts: Sequence[Bytes]) -> float:
    """Share of the stretches, of those that are written anywhere, in which the dumps differ in being erased."""
    size = len(parts[0]) // STRETCH_BYTES * STRETCH_BYTES
    if size < WINDOW_BYTES:
        return 0.0
    erased = np.array([(part[:size].reshape(-1, STRETCH_BYTES) == 0xFF).mean(axis=1) > 0.9 for part in parts])
    written = ~erased.all(axis=0)
    return float((erased.any(axis=0) & written).sum() / max(1, written.sum()))
