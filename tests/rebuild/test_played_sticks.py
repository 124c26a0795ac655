"""Simulated sticks, worn and torn: no sector is called exact that is not what the host last wrote.

The one thing that nobody can know is allowed for: a newest copy that is beyond reading altogether. It must be counted.
"""

from dataclasses import dataclass

import numpy as np
import pytest
from numpy.typing import NDArray

from deadstick.rebuild.disk import RebuiltDisk
from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.pages import decode_dump
from deadstick.rebuild.rebuild import same_pages
from deadstick.rebuild.translate import block_table, with_places
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, in_line, parity_gathered, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.recipe.translation import BitField, Translation
from deadstick.simulate.controller import BlockMappedController, Truth


@dataclass(frozen=True)
class Outcome:
    """One simulated stick: `[sectors]` that both the rebuilt and the true disk have.

    Attributes:
        exact: called so.
        wrong: whose bytes are not what the host last wrote.
        unknowable: whose newest copy is counted among the unreadable blocks.
    """

    exact: NDArray[np.bool_]
    wrong: NDArray[np.bool_]
    unknowable: NDArray[np.bool_]


def draw_recipe(noise: np.random.Generator) -> Recipe:
    t, count, metadata = (int(noise.choice(few)) for few in ([4, 8, 16], [1, 2, 4], [4, 8]))
    parity = -(-13 * t // 8)
    page = count * (512 + metadata + parity)
    layouts: list[PageLayout] = [
        in_line(page + 3, count, 512, metadata, parity),
        spare_groups(page + 3, count, 512, metadata, parity),
        spare_groups(page, count, 512, metadata, parity, covered=False),
        parity_gathered(page, count, 512, metadata, parity),
    ]
    seeds = tuple(noise.integers(1, 32767, 16).tolist())
    scramblers = [
        None,
        Scrambler("after_ecc", "page", LfsrKeystreams(0x8003, seeds)),
        Scrambler("before_ecc", "page", LfsrKeystreams(0x8003, seeds)),
    ]
    versions = [None, BitField(2, 1), BitField(2, 2), BitField(2, 2)]
    return Recipe(
        int(noise.choice([8, 16, 32])),
        layouts[noise.integers(4)],
        Code(13, 0x201B, t, 1, "lsb" if noise.random() < 0.5 else "msb", bool(noise.random() < 0.2)),
        scramblers[noise.integers(3)],
        Translation("block", BitField(0, 2, "little" if noise.random() < 0.5 else "big"), versions[noise.integers(4)]),
    )


def use(recipe: Recipe, noise: np.random.Generator, seed: int) -> tuple[NDArray[np.uint8], Truth]:
    """A stick that was written and rewritten, and perhaps torn out during the last write."""
    blocks = int(noise.integers(12, 40))
    stick = BlockMappedController(
        recipe,
        blocks,
        seed,
        bad=int(noise.integers(3)),
        system=int(noise.integers(2)),
        counter="block" if noise.random() < 0.5 else "global",
        first_version=int(noise.choice([1, 250, 65530])),
        skip_blank=bool(noise.random() < 0.3),
    )
    logical = int(noise.integers(3, blocks - 8))
    disk = noise.integers(0, 256, (logical, stick.logical_bytes), dtype=np.uint8)
    for _ in range(int(noise.integers(1, 8))):
        for _ in range(int(noise.integers(0, 4))):
            start = int(noise.integers(stick.logical_bytes - 600))
            disk[noise.integers(logical), start : start + 600] = noise.integers(0, 256, 600)
        stick.write(disk.reshape(-1))
        stick.level_wear(int(noise.integers(0, 3)))
    if noise.random() < 0.4:
        number = int(noise.integers(logical))
        changed = disk[number].copy()
        changed[noise.integers(len(changed))] ^= 255
        stick.write_block(number, changed, pages=int(noise.integers(1, recipe.pages_per_block)))
    assert recipe.code is not None
    borne = recipe.code.t / 4200  # the rate at which half of the codewords are lost
    raw, truth = stick.chip(
        rate=borne * float(noise.choice([0.02, 0.1, 0.3, 1, 2])), spread=float(noise.choice([0.3, 1, 2]))
    )
    return raw.reshape(-1, recipe.layout.page_bytes), truth


def outcome(seed: int) -> Outcome:
    noise = np.random.default_rng(seed)
    recipe = draw_recipe(noise)
    pages, truth = use(recipe, noise, seed)
    table = decode_dump(pages, recipe)
    blocks = block_table(table, recipe, same_pages(pages, recipe, table))
    disk = RebuiltDisk(pages, recipe, with_places(table, blocks), blocks)
    count = min(disk.size, truth.disk.size) // 512
    read = np.frombuffer(disk.read(0, 512 * count), np.uint8).reshape(-1, 512)
    wrong = (read != truth.disk[: 512 * count].reshape(-1, 512)).any(axis=1)
    assert disk.size >= truth.disk.size or blocks.unreadable
    hidden = [number for number, copy in truth.newest.items() if copy.physical in blocks.unreadable]
    sectors_per_block = recipe.pages_per_block * recipe.layout.data_bytes // 512
    unknowable = np.isin(np.arange(count) // sectors_per_block, hidden)
    return Outcome(disk.states(0, count) == SectorState.EXACT, wrong, unknowable)


def check(seeds: range) -> None:
    exact, wrong = 0, 0
    for seed in seeds:
        found = outcome(seed)
        assert not (found.exact & found.wrong & ~found.unknowable).any(), f"seed {seed}"
        exact += int(found.exact.sum())
        wrong += int(found.wrong.sum())
    assert exact > 100 * len(seeds)  # it is no art to call nothing exact
    assert wrong > 10 * len(seeds)  # nor to judge chips without damage


def test_a_few_sticks() -> None:
    check(range(60))


@pytest.mark.campaign
def test_many_sticks() -> None:
    check(range(1000, 7000))
