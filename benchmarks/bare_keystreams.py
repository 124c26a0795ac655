"""How much of a stored table of keystreams lies bare: what the best search by constant data could read.

    python benchmarks/bare_keystreams.py wide:14041 noisy:14013

A keystream without a rule shows only where the data under it are constant, and one page alone cannot be told from any
other data. With the true recipe, which no search has, every page is decoded, and for each byte of each keystream the
pages are counted in which it lies under eight zeros or ones in a row. A keystream of which some byte is bare in fewer
than two pages cannot be read whole by that, and no code checks keystreams before the ECC. Cases whose scrambler is
another are left out.
"""

import argparse
from collections.abc import Iterator

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import StoredKeystreams
from deadstick.simulate.draw import PRESETS, draw_case

RUN = 8
CHUNK = 256
PAGES = 2
"""Pages that must agree before anything is known."""


def in_runs(marked: NDArray[np.bool_], length: int = RUN) -> NDArray[np.bool_]:
    """`bool[rows, columns]`: marks that stand in a run of at least so many.

    >>> in_runs(np.array([[True, True, False, True]]), 2).tolist()
    [[True, True, False, False]]
    """
    windows = np.lib.stride_tricks.sliding_window_view(marked, length, axis=1).all(axis=2)
    inside = np.zeros_like(marked)
    for shift in range(length):
        inside[:, shift : shift + windows.shape[1]] |= windows
    return inside


def decoded(recipe: Recipe, pages: NDArray[np.uint8]) -> Iterator[tuple[NDArray[np.int64], NDArray[np.uint8]]]:
    """Keystream numbers, `int64[n]`, and true data, `uint8[n, data_bytes]`, of pages that decode, some at a time."""
    if recipe.scrambler is None:
        return
    for numbers in np.split(np.arange(len(pages)), range(CHUNK, len(pages), CHUNK)):
        batch = recipe.decode(pages[numbers], numbers)
        good = (batch.errors >= 0).all(axis=1) & ~batch.erased
        yield recipe.scrambler.index(numbers[good], recipe.pages_per_block), batch.data[good]


def bare_pages(recipe: Recipe, dump: NDArray[np.uint8]) -> NDArray[np.int32]:
    """`int32[keystreams, data_bytes]`: pages in which each byte of each keystream lies bare, or complemented.

    Args:
        recipe: the true one, with a stored table.
        dump: `uint8[bytes]`.
    """
    assert recipe.scrambler is not None
    page = recipe.layout.page_bytes
    bare = np.zeros((len(recipe.scrambler.keystreams.unknown), recipe.layout.data_bytes), np.int32)
    for under, data in decoded(recipe, dump[: len(dump) // page * page].reshape(-1, page)):
        for value in (0x00, 0xFF):
            np.add.at(bare, under, in_runs(data == value).astype(np.int32))
    return bare


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("cases", nargs="+", help="PRESET:SEED")
    print("| case | fill | scrambler | keystreams | bytes bare in two pages | keystreams bare throughout |")  # noqa: T201
    print("|---|---|---|---:|---:|---:|")  # noqa: T201 - the table is what this is for
    for name in parser.parse_args().cases:
        preset, seed = name.split(":")
        case = draw_case(int(seed), PRESETS[preset])
        scrambler = case.recipe.scrambler
        if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams):
            continue
        told = bare_pages(case.recipe, case.dump) >= PAGES
        print(  # noqa: T201
            f"| {preset} {seed} | {case.options['fill']} | {case.options['scrambler']} | {len(told)} "
            f"| {told.mean():.0%} | {told.all(axis=1).sum()} |"
        )


if __name__ == "__main__":
    main()
