"""How a search ends that finds no recipe: nothing to read, nothing but noise, encrypted, or not solved, and why."""

from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import HintError
from deadstick.files.content import SIGNATURES
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.solve.answer import encryption, findings
from deadstick.solve.common.evidence import Finding, Solution
from deadstick.solve.common.noise import FEWEST_BYTES, SectorTest, commonest_byte, is_uniform, other_bytes, uniformity
from deadstick.solve.hints.hints import Hints
from deadstick.solve.page_size.geometry import PageCandidate

ALMOST_ALL, FEWEST_WRITTEN = 0.999, 1 << 20
"""Share of one byte value in a dump that holds nothing, and bytes elsewhere that are worth a search."""
WEAK_WITNESS = 16.0
"""Standard deviations below which a page size may stand out in noise: the random signs of `geometry` have a mean."""
TEXT_SHARE = 0.99
_PRINTABLE = np.isin(np.arange(256), [9, 10, 13, *range(32, 127)])


def nothing_to_read(data: NDArray[np.uint8]) -> Solution | None:
    """The end for a dump that is too short, erased, or of one byte throughout; None for any other.

    >>> nothing_to_read(np.zeros(10_000, np.uint8)).outcome
    'unreadable'
    """
    if len(data) < FEWEST_BYTES:
        reason = f"the dump has {len(data):,} bytes; not even one page with its spare area fits into so few"
        return Solution("unreadable", reason, None, ())
    byte, share = commonest_byte(data)
    # A large chip may be nearly empty, and what little is on it is what the customer wants.
    if share <= ALMOST_ALL or other_bytes(data, byte) >= FEWEST_WRITTEN:
        return None
    reason = f"{share:.2%} of the bytes are 0x{byte:02x}"
    if byte == 0xFF:
        return Solution("unreadable", f"the dump is erased: {reason}", None, ())
    return Solution("unreadable", f"nothing was read: {reason}; check the contacts and read again", None, ())


def without_code(part: NDArray[np.uint8], candidates: tuple[PageCandidate, ...], hints: Hints) -> Solution:
    """The end where no page size and code explain the dump.

    Raises:
        HintError: hints may be to blame.
    """
    figure = uniformity(part)
    finding = findings.noise(figure, candidates)
    if hints.page_bytes is not None or hints.spare_bytes is not None:
        tried = ", ".join(f"{item.page_bytes} ({item.witness})" for item in candidates[:3])
        raise HintError(f"no code was found in pages that fit the hint; tried {tried}; try without the hint")
    looks = looks_like(part)
    if is_uniform(figure) and not looks and all(item.figure < WEAK_WITNESS for item in candidates):
        reason = "the dump looks like noise: no page size stands out, no code, no keystream"
        return Solution("unreadable", reason, None, (finding,))
    reason = "no page size and code were found that explain the dump"
    byte, share = commonest_byte(part)
    if share > ALMOST_ALL:
        reason = f"the first {len(part) >> 20} MiB, where page and code are looked for, read 0x{byte:02x} throughout"
    elif looks:
        reason = f"{reason}: it looks like {looks}, not like the raw read of a chip"
    elif is_uniform(figure):
        reason += "; its bytes are uniform, so it may be encrypted, but that cannot be told without the code"
    return Solution("unsolved", reason, None, (finding,))


def looks_like(data: NDArray[np.uint8]) -> str:
    """What the input is if it is no dump, in words; empty where nothing is recognised.

    >>> looks_like(np.frombuffer(b"page after page of plain words" * 300, np.uint8))
    'a text'
    """
    # Throughout: a block that was programmed with a printable pattern makes no text of a dump.
    if _PRINTABLE[data[:: max(1, len(data) >> 20)]].mean() > TEXT_SHARE:
        return "a text"
    head = data[:4096].tobytes()
    if head[510:512] == b"\x55\xaa" and not is_uniform(uniformity(data)):
        return "an image of a disk"
    # Signatures of two bytes are too common by accident.
    names = [name for name, offset, magic in SIGNATURES if len(magic) > 2 and head[offset:].startswith(magic)]
    return f"a file ({names[0]})" if names else ""


def without_keystream(
    data: NDArray[np.uint8], layout: PageLayout, code: Code, lag: int, answers: Sequence[Finding]
) -> Solution:
    """The end where the code is known, but not what a scrambler added.

    Args:
        data: `uint8[bytes]`, the dump.
        layout: of a page.
        code: of its codewords.
        lag: pages apart that share a keystream, as the code proves; 0 where none do.
        answers: found so far.
    """
    reason = "the code is known, but what the scrambler added could not be found"
    if not lag:
        # Half a page, for instance, which every other row obeys: too little to go on, enough to see what the data are.
        pages = whole_pages(data, layout)
        seen = encryption.plaintext_test(pages, Recipe(1, layout, code))
        if seen.is_ciphertext:
            return ended_encrypted(encryption.encrypted(seen, pages, layout), answers)
        return Solution("unsolved", reason, None, tuple(answers))
    test = encryption.difference_test(whole_pages(data, layout), layout, code, lag)
    if test.is_ciphertext:
        return ended_encrypted(encryption.encrypted_under_scrambler(test, lag), answers)
    figure = f"differences of pages {lag} (and multiples) apart: {test.describe()}"
    return Solution("unsolved", reason, None, (*answers, Finding("content", "not encrypted", figure, None)))


def ended_encrypted(finding: Finding, answers: Sequence[Finding]) -> Solution:
    """The end for encrypted data."""
    reason = f"the code corrects, but every sector is uniform and no keystream comes again: {finding.answer}"
    return Solution("encrypted", reason, None, (*answers, finding))


def unless_hidden(solution: Solution, test: SectorTest, pages: NDArray[np.uint8], layout: PageLayout) -> Solution:
    """A solution without any volume, unless a cipher or a keystream explains that there is none.

    Args:
        solution: with a recipe under which no volume was recognised.
        test: of the corrected data.
        pages: `uint8[pages, page_bytes]`, the whole dump.
        layout: of a page.
    """
    left = encryption.keystream_left(test)
    if left is not None:
        reason = "the code is known, but the data under it are scrambled by a keystream that could not be found"
        return replace(solution, outcome="unsolved", reason=reason, recipe=None, findings=(*solution.findings, left))
    if encryption.is_encrypted_but_for_tables(test):
        return ended_encrypted(encryption.encrypted(test, pages, layout), solution.findings)
    return solution


def whole_pages(data: NDArray[np.uint8], layout: PageLayout) -> NDArray[np.uint8]:
    """`uint8[pages, page_bytes]`: a dump as pages, without a rest at its end; a view."""
    count = len(data) // layout.page_bytes
    return data[: count * layout.page_bytes].reshape(count, -1)
