"""Encrypted, or only packed? The sectors of corrected data, or of differences of pages, asked one by one.

A controller's scrambler repeats; a cipher does not. Where the code decodes and every sector of the plaintext is uniform
and nothing comes again, the data are enciphered. One uniformity test over all bytes would not do: a nearly full volume
of packed files passes it. But its tables, its directories and the slack behind its files do not, see `noise`.

Where the code is known only in differences of two pages under one keystream, because a scrambler after the ECC hides
the rest, the differences are asked: zeros less zeros, and text less text, are not uniform.
"""

from dataclasses import replace
from time import monotonic

import numpy as np
from numpy.typing import NDArray

from deadstick.flash.erased import erased_pages
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.evidence import Finding
from deadstick.solve.common.noise import SECTOR_BYTES, STRETCH_BYTES, SectorTest, constant_rows, sector_test
from deadstick.solve.common.spread import evenly

MOST_BYTES = 32 << 20
SECONDS = 20.0
PAGES_AT_ONCE = 256
MOST_LOOKED_AT = 16
"""Pages that are looked at for each that is wanted: a large chip that is nearly empty is not read to its end."""
LAGS = 8
"""Multiples of the keystream's lag at which pages are compared."""
COPY_BYTES = 0.05
"""A sector differs from its copy by bit errors alone: in fewer of its bytes than this share."""
SYSTEM_SHARE = 0.02
"""Most pages with structure in a chip that is called encrypted: a controller's own tables may be readable."""
FEWEST_REPEATS = 8
"""Stretches that must come again before a keystream is suspected; packed files may have a few equal ones."""
REMAINS = (
    "no work on the dump can open it without the key; what remains is to make the original board work again, or a "
    "donor controller of exactly its kind, which helps only if the key is not kept in the dead one"
)

MEANING = (
    "a volume without encryption has tables, directories and slack, which are not uniform, in at least 0.02 % of its "
    "sectors; the chance is that of a sample that missed them all. Packed data without any volume would look the same"
)


def plaintext_test(pages: NDArray[np.uint8], recipe: Recipe) -> SectorTest:
    """Ask the sectors of corrected data.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump.
        recipe: decodes them; its translation does not matter.

    Returns:
        The figures for up to 32 MiB of pages all over the chip, fewer if decoding is slow or hardly a page is written.
        Pages of which fewer than half of the codewords decode are left out.
    """
    most = max(1, MOST_BYTES // recipe.layout.data_bytes)
    # Drawn at random, so that a sample that was cut short is spread as evenly.
    order = np.random.default_rng(512).permutation(len(pages))
    deadline = monotonic() + SECONDS
    rows: list[NDArray[np.uint8]] = []
    count = 0
    for first in range(0, len(order), PAGES_AT_ONCE):
        if count >= most or first >= MOST_LOOKED_AT * most or monotonic() > deadline:
            break
        numbers = np.sort(order[first : first + PAGES_AT_ONCE])
        numbers = numbers[~constant_rows(pages[numbers])]
        batch = recipe.decode(pages[numbers], numbers)
        good = (batch.errors >= 0).mean(axis=1) >= 0.5
        rows.append(batch.data[good])
        count += int(good.sum())
    return sector_test(np.concatenate(rows)) if rows else sector_test(np.empty((0, SECTOR_BYTES), np.uint8))


def difference_test(pages: NDArray[np.uint8], layout: PageLayout, code: Code, lag: int) -> SectorTest:
    """Ask the sectors of differences of pages under one keystream.

    The difference of two codewords is a codeword, whatever was added to both, and is corrected as such; pairs of which
    fewer than half of the codewords decode share no keystream, or are no pages, and are left out.

    Args:
        pages: `uint8[pages, page_bytes]`, the whole dump.
        layout: says where the codewords are.
        code: theirs; inversion and mask do not matter.
        lag: pages after which the keystream comes again, at least 1.

    Returns:
        The figures for up to 32 MiB of differences. Sectors without a difference are left out: copies of one sector, of
        which the cipher's output comes twice, too. Zeros less zeros go with them; what tells then is text or tables
        less anything that is not packed.
    """
    recipe = Recipe(1, layout, replace(code, inverted=False, erased_is_codeword=False))
    most = max(1, MOST_BYTES // layout.data_bytes // LAGS)
    deadline = monotonic() + SECONDS
    tests: list[SectorTest] = []
    for step in range(lag, min(LAGS * lag + 1, len(pages)), lag):
        if monotonic() > deadline:
            break
        first = evenly(len(pages) - step, most)
        first = first[~erased_pages(pages[first]) & ~erased_pages(pages[first + step])]
        batch = recipe.decode(pages[first] ^ pages[first + step], np.zeros(len(first), np.int64))
        good = (batch.errors >= 0).mean(axis=1) >= 0.5
        each = batch.data[good, : layout.data_bytes // SECTOR_BYTES * SECTOR_BYTES].reshape(-1, SECTOR_BYTES)
        tests.append(sector_test(each[(each != 0).mean(axis=1) > COPY_BYTES]))
    if not tests:
        return sector_test(np.empty((0, SECTOR_BYTES), np.uint8))
    # Stretches come again where one page has copies; and only the differences at one lag are independent of each other.
    fullest = max(tests, key=lambda test: test.sectors)
    return SectorTest(
        sum(test.sectors for test in tests),
        sum(test.structured for test in tests),
        sum(test.structured_rows for test in tests),
        sum(test.rows for test in tests),
        0,
        fullest.rest,
    )


def written_sectors(pages: NDArray[np.uint8], layout: PageLayout) -> int:
    """About how many sectors of the chip hold something, from an even sample of its pages."""
    some = pages[evenly(len(pages), 2048)]
    share = float((~erased_pages(some)).mean())
    return int(share * len(pages) * layout.data_bytes / SECTOR_BYTES)


def encrypted(test: SectorTest, pages: NDArray[np.uint8], layout: PageLayout) -> Finding:
    """The finding for corrected data that are ciphertext."""
    chance = test.log10_chance(written_sectors(pages, layout))
    answer = f"the data are encrypted; {REMAINS}"
    if test.structured:
        answer += f"; {test.structured_rows} of {test.rows:,} pages are readable and hold no volume"
        return Finding("encryption", answer, f"corrected data: {test.describe()}", None, meaning=MEANING)
    return Finding("encryption", answer, f"corrected data: {test.describe()}", chance, meaning=MEANING)


def encrypted_under_scrambler(test: SectorTest, lag: int) -> Finding:
    """The finding for differences that are those of ciphertext."""
    return Finding(
        "encryption",
        f"the data are encrypted, under a scrambler; {REMAINS}",
        f"differences of pages {lag} (and multiples) apart, which the code proves to share a keystream: "
        f"{test.describe()}; no shift register shows anywhere",
        None,
        meaning="zeros less zeros and text less text are not uniform; a chip with hardly any of either, full of packed "
        "files, might pass, so no chance is stated",
    )


def is_encrypted_but_for_tables(test: SectorTest) -> bool:
    """Whether a chip on which no volume was found is ciphertext, but for a few readable pages."""
    return test.is_uniform_but_for_structure and test.structured_rows <= SYSTEM_SHARE * test.rows


def keystream_left(test: SectorTest) -> Finding | None:
    """The finding for corrected data that still lie under a keystream: uniform, but stretches come again."""
    few = test.structured_rows <= SYSTEM_SHARE * test.rows
    if not few or test.repeats < FEWEST_REPEATS:
        return None
    return Finding(
        "keystream",
        "something was added before the code saw the data, and it comes again: a scrambler that was not found",
        f"corrected data: {test.describe()}",
        2 * float(np.log10(max(1, test.sectors) * SECTOR_BYTES / STRETCH_BYTES))
        - 8 * STRETCH_BYTES * float(np.log10(2)),
        meaning="in ciphertext and in packed files no stretch of 32 bytes comes again, but for whole copies",
    )
