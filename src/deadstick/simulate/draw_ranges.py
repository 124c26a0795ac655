"""What may be drawn: ranges and shares, and the presets of the campaigns."""

from dataclasses import dataclass, replace
from typing import Literal

Shape = Literal["in line", "metadata first", "spare groups", "gathered", "bit-packed"]
SeedRule = Literal["place", "chip", "block", "affine"]

FEW_SHAPES: tuple[Shape, ...] = ("in line", "spare groups", "gathered")
ALL_SHAPES: tuple[Shape, ...] = ("in line", "metadata first", "spare groups", "gathered", "bit-packed")
ALL_RULES: tuple[SeedRule, ...] = ("place", "chip", "block", "affine")


@dataclass(frozen=True, slots=True)
class Ranges:
    """What may be drawn; lower and upper ends are both included, shares are between 0 and 1.

    The defaults are a small and simple world for quick tests; `WIDE` and `NOISY` are those of the campaigns.

    Attributes:
        page_data: powers of two, bytes.
        codeword_data: data bytes of a codeword; what stands here twice is drawn twice as often.
        spare_most: most spare bytes of a page.
        unused_most: most spare bytes that nobody uses.
        t: errors that the code bears.
        t_per_kib: the same for each KiB of data; `t` bounds it too. None for no such bound.
        failure_most: most that the probability of a codeword with more than t errors may be at the mean rate; None
            for codes of any strength.
        register: stages of the scrambler.
        seed_rules: how the keystream of a page is chosen.
        stored_share: of the scramblers, how many have a table of keystreams without a rule.
        pages_per_block: pages.
        odd_blocks: share of cases with a block of any number of pages; else it is 2^k, 3 * 2^k or a multiple of 16.
        raw_bit_error_rate: mean over the chip.
        spread: of the logarithm of the rate, from block to block.
        disk_bytes: size of the simulated disk, where `dump_bytes` does not say that of the dump.
        dump_bytes: size of the dump.
        mapped_share: share of cases with block mapping.
        kernel_polynomials: take the primitive polynomials of the Linux kernel instead of any.
        shapes: families of page layouts.
        other_share: cases with a Reed-Solomon or a Hamming code instead of BCH.
        first_only_share: of the layouts, how many have metadata in the first codeword only.
        marker_share: of the layouts in which the column of the bad-block marker falls inside the data, how many keep
            that column free of data.
        packed_share: volumes nearly full of packed data, with old packed data where they are free.
        unerased_share: dumps without an erased block.
        cut_share: dumps that end early, inside a block or a page.
        controllers_vary: whether counters, decoys, tables of the controller and the like are drawn as well.
        spread_share: cases in which the disk is spread over several chips or planes.
        chips_most: most dumps of such a case.
        reads: how often each chip is read.
        worn: where chips are read more than once, the raw bit error rate of a read by `raw_bit_error_rate`; drawn
            evenly by its logarithm for each read. The code need not bear it.
        lasting: of the errors at `raw_bit_error_rate`, those that are the same in every read of the chip.
    """

    page_data: tuple[int, int] = (2048, 16384)
    codeword_data: tuple[int, ...] = (512, 1024, 1024, 2048)
    spare_most: int = 2208
    unused_most: int = 64
    t: tuple[int, int] = (4, 72)
    t_per_kib: tuple[int, int] | None = None
    failure_most: float | None = None
    register: tuple[int, int] = (8, 48)
    seed_rules: tuple[SeedRule, ...] = ("place",)
    stored_share: float = 0.0
    pages_per_block: tuple[int, int] = (32, 256)
    odd_blocks: float = 0.0
    raw_bit_error_rate: float = 1e-4
    spread: float = 0.5
    disk_bytes: int = 8 << 20
    dump_bytes: tuple[int, int] | None = None
    mapped_share: float = 0.6
    kernel_polynomials: bool = False
    shapes: tuple[Shape, ...] = FEW_SHAPES
    other_share: float = 0.0
    first_only_share: float = 0.0
    marker_share: float = 0.0
    packed_share: float = 0.0
    unerased_share: float = 0.0
    cut_share: float = 0.0
    controllers_vary: bool = False
    spread_share: float = 0.0
    chips_most: int = 4
    reads: tuple[int, int] = (1, 1)
    worn: tuple[float, float] = (1.0, 1.0)
    lasting: tuple[float, float] = (0.0, 0.0)


WIDE = Ranges(
    page_data=(512, 16384),
    unused_most=1200,
    failure_most=1e-6,
    register=(8, 64),
    seed_rules=ALL_RULES,
    stored_share=0.2,
    pages_per_block=(32, 768),
    odd_blocks=0.2,
    raw_bit_error_rate=2e-4,
    spread=0.3,
    dump_bytes=(16 << 20, 64 << 20),
    mapped_share=0.6,
    shapes=ALL_SHAPES,
    other_share=0.1,
    first_only_share=0.2,
    marker_share=0.4,
    packed_share=0.25,
    unerased_share=0.2,
    cut_share=0.2,
    controllers_vary=True,
)
"""All options at a raw bit error rate of 2e-4, with codes that bear it."""

NOISY = Ranges(
    page_data=(2048, 16384),
    unused_most=400,
    t_per_kib=(36, 60),
    failure_most=1e-6,
    register=(8, 64),
    seed_rules=ALL_RULES,
    stored_share=0.1,
    pages_per_block=(32, 768),
    odd_blocks=0.2,
    raw_bit_error_rate=1e-3,
    spread=0.3,
    dump_bytes=(16 << 20, 64 << 20),
    mapped_share=0.6,
    shapes=ALL_SHAPES,
    first_only_share=0.2,
    marker_share=0.4,
    packed_share=0.25,
    unerased_share=0.2,
    cut_share=0.2,
    controllers_vary=True,
)
"""Codes of the class of t = 40 per KiB at 1e-3, where hardly a codeword is free of errors."""

SPREAD = replace(WIDE, spread_share=1.0)
"""The options of `WIDE`, over several chips or planes; `dump_bytes` is then the size of all dumps together."""

READS = replace(WIDE, reads=(2, 8), worn=(1.5, 6.0), lasting=(0.0, 0.5))
"""The controllers of `WIDE`, seed by seed, each chip read 2 to 8 times and never as well as there."""

PRESETS = {"small": Ranges(), "wide": WIDE, "noisy": NOISY, "spread": SPREAD, "reads": READS}
