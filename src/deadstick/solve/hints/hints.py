"""What somebody knows of a chip before the search: it narrows the search, and must fit the data."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal

from deadstick.recipe.code import BitOrder, Code
from deadstick.recipe.interleave import By, Interleave, Numbers, Unit
from deadstick.recipe.layout import PageLayout
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Place, Scrambler
from deadstick.recipe.translation import Translation

Family = Literal["bch", "rs", "hamming", "none"]
FAMILIES: tuple[Family, ...] = ("bch", "rs", "hamming", "none")


@dataclass(frozen=True, slots=True)
class CodeHint:
    """What is known of the code; None where nothing is.

    Attributes:
        family: of the code; "none" says that there is no code.
        m: symbols or locators are in GF(2^m).
        polynomial: primitive polynomial of that field, bit i is the coefficient of x^i.
        t: errors (of symbols, for Reed-Solomon) that a codeword can bear.
        message_bytes: data bytes of a codeword, without metadata.
        inverted: the page is stored as its complement.
        erased_is_codeword: the parity is masked so that an erased page is a codeword.

    >>> CodeHint("bch", m=14, t=40).describe()
    'bch:m=14,t=40'
    """

    family: Family
    m: int | None = None
    polynomial: int | None = None
    t: int | None = None
    message_bytes: int | None = None
    inverted: bool | None = None
    erased_is_codeword: bool | None = None

    def describe(self) -> str:
        """As `--code` takes it."""
        keys = {
            "m": self.m,
            "poly": None if self.polynomial is None else hex(self.polynomial),
            "t": self.t,
            "data": self.message_bytes,
        }
        given = ",".join(f"{key}={value}" for key, value in keys.items() if value is not None)
        return f"{self.family}:{given}" if given else self.family


@dataclass(frozen=True, slots=True)
class ScramblerHint:
    """What is known of the scrambler.

    Attributes:
        place: where it stands; "none" says that there is none; None where that is not known.
        polynomial: of its shift register, as in `LfsrKeystreams`; None where it is not known.
        period: keystreams, that is pages after which they come again; None where it is not known.
    """

    place: Place | Literal["none"] | None = None
    polynomial: int | None = None
    period: int | None = None

    def describe(self) -> str:
        """As `--scrambler` takes it, as far as it can.

        >>> ScramblerHint("after_ecc").describe()
        'after'
        """
        rule = [f"polynomial {self.polynomial:#x}"] if self.polynomial is not None else []
        rule += [f"{self.period} keystreams"] if self.period is not None else []
        return " ".join([(self.place or "any place").removesuffix("_ecc"), *rule])


@dataclass(frozen=True, slots=True)
class InterleaveHint:
    """What is known of the interleave, see `recipe.Interleave`; None where nothing is.

    Attributes:
        chips: the dumps of each chip, chips in the order of their dumps.
        planes: of each chip.
        order: the units; only with chips and planes.
        by: whether the pages of a group go round robin.
        numbers: whether each unit counts its logical blocks for itself.
    """

    chips: tuple[tuple[int, ...], ...] | None = None
    planes: int | None = None
    order: tuple[Unit, ...] | None = None
    by: By | None = None
    numbers: Numbers | None = None

    def fits(self, interleave: Interleave) -> bool:
        """Whether an interleave is as the hint says; with one unit there is no order to speak of."""
        normal = interleave.normal
        mixed = (self.order, self.by, self.numbers) if normal.ways > 1 else (None, None, None)
        known = (self.chips, self.planes, *mixed)
        seen = (normal.chips, normal.planes, normal.order, normal.by, normal.numbers)
        return all(mine is None or mine == yours for mine, yours in zip(known, seen, strict=True))

    def describe(self) -> str:
        """What is given, as the recipe file has it.

        >>> InterleaveHint(((0,), (1,)), planes=2, by="page").describe()
        'chips [[0], [1]], planes 2, by page'
        """
        rows = {
            "chips": None if self.chips is None else [list(lanes) for lanes in self.chips],
            "planes": self.planes,
            "order": None if self.order is None else [list(unit) for unit in self.order],
            "by": self.by,
            "numbers": self.numbers,
        }
        return ", ".join(f"{key} {value}" for key, value in rows.items() if value is not None)


@dataclass(frozen=True, slots=True)
class KnownParts:
    """Whole parts of a recipe that somebody brought along; None for those to be searched.

    Attributes:
        layout: where the codewords lie.
        code: with its stored form.
        scrambler: with its keystreams.
        translation: the fields that number the blocks.
        interleave: what is known of the order of pages over chips and planes.
        digest: SHA-256 of the tables of the file that they come from; for the record of a case.
    """

    layout: PageLayout | None = None
    code: Code | None = None
    scrambler: Scrambler | None = None
    translation: Translation | None = None
    interleave: InterleaveHint | None = None
    digest: str | None = None


@dataclass(frozen=True, slots=True)
class Hints:
    """What the user knows already; None where nothing is known. A hint narrows the search and must fit the data.

    Attributes:
        page_bytes: data bytes of a page.
        spare_bytes: spare bytes of a page.
        pages_per_block: pages in a block.
        recipe: a whole recipe to prove instead of searching.
        code: what is known of the code.
        scrambler: what is known of the scrambler.
        bit_order: which end of a byte holds the higher power of x.
        known: whole parts of a recipe; what they say also stands in the hints above.
        library: a folder of recipes to try first, see `library_look_up`; None for none. It claims nothing of this dump.
    """

    page_bytes: int | None = None
    spare_bytes: int | None = None
    pages_per_block: int | None = None
    recipe: Recipe | None = None
    code: CodeHint | None = None
    scrambler: ScramblerHint | None = None
    bit_order: BitOrder | None = None
    known: KnownParts | None = None
    library: Path | None = None

    @property
    def interleave(self) -> InterleaveHint | None:
        """What is known of the interleave."""
        return self.known.interleave if self.known else None
