"""Controllers drawn at random: every parameter from a range, so that a solver cannot know them by heart."""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.codes import gf2poly
from deadstick.codes.bch import BchCode
from deadstick.codes.field import PRIMITIVE_DEFAULTS
from deadstick.recipe.code import BitOrder, Code
from deadstick.recipe.layout import PageLayout, Part, in_line, parity_gathered, spare_groups
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Place, Restart, Scrambler
from deadstick.recipe.translation import IDENTITY, BitField, Translation
from deadstick.simulate.controller import block_mapped_dump, identity_dump
from deadstick.simulate.history import History, scenario_history

Shape = Literal["in line", "spare groups", "gathered"]
SHAPES: tuple[Shape, ...] = ("in line", "spare groups", "gathered")
PLACES: tuple[Place | None, ...] = (None, "before_ecc", "after_ecc")
RESTARTS: tuple[Restart, ...] = ("codeword", "page", "column")
EVERYTHING = frozenset(Part)
DATA_ALONE = frozenset({Part.DATA})


@dataclass(frozen=True, slots=True)
class Ranges:
    """What may be drawn; lower and upper ends are both included.

    Attributes:
        page_data: powers of two, bytes.
        t: errors that the code bears.
        register: stages of the scrambler.
        pages_per_block: pages.
        raw_bit_error_rate: mean over the chip.
        disk_bytes: size of the simulated disk.
        mapped_share: share of cases with block mapping.
        kernel_polynomials: take the primitive polynomials of the Linux kernel instead of any.
    """

    page_data: tuple[int, int] = (2048, 16384)
    t: tuple[int, int] = (4, 72)
    register: tuple[int, int] = (8, 48)
    pages_per_block: tuple[int, int] = (32, 256)
    raw_bit_error_rate: float = 1e-4
    disk_bytes: int = 8 << 20
    mapped_share: float = 0.6
    kernel_polynomials: bool = False


@dataclass(frozen=True)
class DrawnCase:
    """A dump of a drawn controller, and what is behind it for a test to compare with.

    Attributes:
        dump: `uint8[bytes]`.
        recipe: what the controller did.
        history: what was on the disk.
    """

    dump: NDArray[np.uint8]
    recipe: Recipe
    history: History


def draw_case(seed: int, ranges: Ranges | None = None) -> DrawnCase:
    """Draw a controller, let a stick live under it, and read the chip.

    Args:
        seed: of everything; the same seed gives the same dump.
        ranges: what may be drawn.

    Returns:
        The dump with its truth.
    """
    ranges = ranges or Ranges()
    recipe = draw_recipe(seed, ranges)
    history = scenario_history(seed, ranges.disk_bytes, fill=0.55)
    block = recipe.pages_per_block * recipe.layout.data_bytes
    logical = -(-ranges.disk_bytes // block)
    rate = ranges.raw_bit_error_rate
    if recipe.translation.kind == "identity":
        dump = identity_dump(history.disk, recipe, logical + 3, seed, rate=rate)
    else:
        blocks = logical + 4 + logical // 4
        dump, _ = block_mapped_dump(history.states, recipe, blocks, seed, bad=1, wear_moves=2, rate=rate)
    return DrawnCase(dump, recipe, history)


def draw_recipe(seed: int, ranges: Ranges) -> Recipe:
    """Draw a recipe alone.

    Args:
        seed: of the draw.
        ranges: what may be drawn.
    """
    rng = np.random.default_rng([seed, 3])
    page_data = 1 << int(rng.integers(ranges.page_data[0].bit_length() - 1, ranges.page_data[1].bit_length()))
    message = min(page_data, int(rng.choice([512, 1024, 1024, 2048])))
    count = page_data // message
    mapped = bool(rng.random() < ranges.mapped_share)
    metadata = int(rng.integers(6, 9)) if mapped else int(rng.integers(0, 9))
    code = _draw_code(rng, message + metadata, ranges, most=(300 - metadata) if message < 2048 else 290)
    layout = _draw_layout(rng, page_data, (count, message, metadata, code.parity_bytes))
    pages_per_block = _draw_block_size(rng, ranges, page_data)
    scrambler = _draw_scrambler(rng, ranges, pages_per_block)
    return Recipe(pages_per_block, layout, code, scrambler, _draw_translation(rng, metadata, mapped=mapped))


def _draw_code(rng: np.random.Generator, message: int, ranges: Ranges, most: int) -> Code:
    """A code that fits the message, of a strength that its parity leaves room for in the spare area."""
    degree = (8 * message).bit_length()
    m = int(rng.integers(max(13, degree), 16))
    # The spare area of a page is at most a third of its data, see `solve.geometry`.
    room = min(most, message // 5)
    t = int(rng.integers(ranges.t[0], max(ranges.t[0], min(ranges.t[1], 8 * room // m)) + 1))
    polynomials = gf2poly.primitive_polynomials(m)
    order: BitOrder = "msb" if rng.random() < 0.5 else "lsb"
    polynomial = polynomials[int(rng.integers(len(polynomials)))]
    if ranges.kernel_polynomials:
        polynomial = PRIMITIVE_DEFAULTS[m]
    while 8 * message + BchCode(m, polynomial, t).parity_bits >= 1 << m:
        t -= 1
    return Code(
        m,
        polynomial,
        t,
        bit_order=order,
        inverted=bool(rng.random() < 0.15),
        erased_is_codeword=bool(rng.random() < 0.2),
    )


def _draw_layout(rng: np.random.Generator, page_data: int, sizes: tuple[int, int, int, int]) -> PageLayout:
    count, message, metadata, parity = sizes
    shape = SHAPES[int(rng.integers(len(SHAPES)))]
    used = count * (metadata + parity)
    offset = int(rng.integers(0, 5)) if shape == "spare groups" else 0
    unused = int(rng.integers(0, 65)) if rng.random() < 0.7 else 0
    spare = max(used + offset + unused, page_data // 64, 16)
    spare += spare % 2
    page = page_data + spare
    if shape == "in line":
        return in_line(page, count, message, metadata, parity)
    if shape == "gathered":
        return parity_gathered(page, count, message, metadata, parity)
    return spare_groups(page, count, message, metadata, parity, offset=offset, covered=bool(rng.random() < 0.8))


def _draw_block_size(rng: np.random.Generator, ranges: Ranges, page_data: int) -> int:
    """A power of two, or three times one; blocks small enough that a small disk has some."""
    most = min(ranges.pages_per_block[1], max(32, ranges.disk_bytes // 12 // page_data))
    sizes = [size << shift for size in (1, 3) for shift in range(4, 10)]
    allowed = [size for size in sorted(sizes) if ranges.pages_per_block[0] <= size <= most]
    return allowed[int(rng.integers(len(allowed)))]


def _draw_scrambler(rng: np.random.Generator, ranges: Ranges, pages_per_block: int) -> Scrambler | None:
    place = PLACES[int(rng.integers(len(PLACES)))]
    if place is None:
        return None
    width = int(rng.integers(ranges.register[0], ranges.register[1] + 1))
    polynomial = draw_primitive(rng, width)
    # Small registers run out of different seeds; a table of seeds repeats then.
    seeds = tuple(int(rng.integers(1, 1 << width, dtype=np.uint64)) for _ in range(pages_per_block))
    order: BitOrder = "lsb" if rng.random() < 0.6 else "msb"
    restart = RESTARTS[int(rng.integers(len(RESTARTS)))]
    covers = EVERYTHING if place == "after_ecc" else DATA_ALONE
    return Scrambler(place, restart, LfsrKeystreams(polynomial, seeds, order), covers)


def draw_primitive(rng: np.random.Generator, width: int) -> int:
    """A primitive polynomial of a degree, any number of taps."""
    while True:
        polynomial = (1 << width) | int(rng.integers(0, 1 << width, dtype=np.uint64)) | 1
        if gf2poly.is_primitive(polynomial):
            return polynomial


def _draw_translation(rng: np.random.Generator, metadata: int, *, mapped: bool) -> Translation:
    if not mapped:
        return IDENTITY
    order: Literal["little", "big"] = "little" if rng.random() < 0.5 else "big"
    first = int(rng.integers(0, metadata - 4))
    number = BitField(first, 2, order)
    return Translation("block", number, BitField(first + 2, 2, order))
