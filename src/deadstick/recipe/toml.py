"""Recipe files: TOML with a schema version, checked on reading, written with comments.

The file is plain to read, to correct by hand and to copy to a colleague. Positions are in bits of the page
(`8 * column` for whole bytes). Numbers that are polynomials or states are hexadecimal strings.
"""

import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Annotated, Any, Literal

import tomlkit
from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, PlainSerializer, ValidationError

from deadstick.errors import RecipeError
from deadstick.recipe.code import Code
from deadstick.recipe.interleave import NO_INTERLEAVE, Interleave
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, StoredKeystreams
from deadstick.recipe.translation import BitField, Translation

SCHEMA_VERSION = 2
"""2 has the table `interleave`; files of version 1 are read as they are."""

Hex = Annotated[
    int,
    BeforeValidator(lambda value: int(value, 16) if isinstance(value, str) else value),
    PlainSerializer(hex),
]
SpanRow = tuple[Part, int, int] | tuple[Part, int, int, int]


class _Table(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class _CodewordTable(_Table):
    message: list[SpanRow]
    parity: list[tuple[int, int]]


class _LayoutTable(_Table):
    page_bytes: int = Field(gt=0)
    pages_per_block: int = Field(gt=0)
    codeword: list[_CodewordTable]
    loose_metadata: list[tuple[int, int]] = []


class _CodeTable(_Table):
    family: Literal["bch", "reed_solomon", "hamming"] = "bch"
    m: int = Field(ge=3, le=16)
    primitive_polynomial: Hex | None = None
    t: int = Field(ge=1)
    first_root: int = 1
    bit_order: Literal["msb", "lsb"] = "msb"
    inverted: bool = False
    erased_is_codeword: bool = False
    padding: Literal["front", "back", "gap"] | None = None


class _ScramblerTable(_Table):
    place: Literal["after_ecc", "before_ecc"]
    restart: Literal["codeword", "page", "column"]
    covers: list[Part]
    page_step: int = 1
    block_step: int = 0
    polynomial: Hex | None = None
    bit_order: Literal["msb", "lsb"] = "lsb"
    complement: bool = False
    seeds: list[Hex] = []
    keystreams: list[str] = []


class _BitFieldTable(_Table):
    first_byte: int = Field(ge=0)
    length: int = Field(ge=1, le=4)
    byte_order: Literal["little", "big"] = "little"
    mask: Hex = 0xFFFFFFFF


class _TranslationTable(_Table):
    kind: Literal["identity", "block"] = "identity"
    logical_number: _BitFieldTable | None = None
    version: _BitFieldTable | None = None


class _InterleaveTable(_Table):
    chips: list[list[int]] = [[0]]
    planes: int = 1
    order: list[tuple[int, int]] = [(0, 0)]
    by: Literal["page", "block"] = "page"
    numbers: Literal["own", "common"] = "own"
    sure: bool = True


class _RecipeFile(_Table):
    schema_version: Literal[1, 2]
    layout: _LayoutTable
    code: _CodeTable | None = None
    scrambler: _ScramblerTable | None = None
    translation: _TranslationTable = _TranslationTable()
    interleave: _InterleaveTable | None = None


def to_dict(recipe: Recipe) -> dict[str, Any]:
    """The recipe as plain values: what a recipe file and `result.json` hold."""
    return _to_file(recipe).model_dump(mode="json", exclude_none=True)


def from_dict(values: dict[str, Any]) -> Recipe:
    """The inverse of `to_dict`.

    Raises:
        RecipeError: a value is missing, unknown or impossible; the message names it.
    """
    with _explained("recipe"):
        return _from_file(_RecipeFile.model_validate(values))


def layout_from_dict(values: dict[str, Any]) -> tuple[PageLayout, int]:
    """A whole `layout` table alone: the layout, and the pages of a block.

    Raises:
        RecipeError: as `from_dict`; so do the next four.
    """
    with _explained("layout"):
        table = _LayoutTable.model_validate(values)
        return _layout(table), table.pages_per_block


def code_from_dict(values: dict[str, Any]) -> Code:
    """A whole `code` table alone."""
    with _explained("code"):
        return _code(_CodeTable.model_validate(values))


def scrambler_from_dict(values: dict[str, Any]) -> Scrambler:
    """A whole `scrambler` table alone."""
    with _explained("scrambler"):
        return _scrambler(_ScramblerTable.model_validate(values))


def translation_from_dict(values: dict[str, Any]) -> Translation:
    """A whole `translation` table alone."""
    with _explained("translation"):
        return _translation(_TranslationTable.model_validate(values))


def interleave_from_dict(values: dict[str, Any]) -> Interleave:
    """A whole `interleave` table alone."""
    with _explained("interleave"):
        return _interleave(_InterleaveTable.model_validate(values))


@contextmanager
def _explained(what: str) -> Iterator[None]:
    """Turn what a schema finds wrong into one line for a person."""
    try:
        yield
    except ValidationError as error:
        first = error.errors()[0]
        place = ".".join(str(part) for part in first["loc"]) or "the file"
        raise RecipeError(f"{what}: {place}: {first['msg']}") from error
    except RecipeError:
        raise
    except ValueError as error:  # of the mathematics: a polynomial that is not primitive, a keystream that is no hex
        raise RecipeError(f"{what}: {error}") from error


def save(recipe: Recipe, path: Path) -> None:
    """Write a recipe file."""
    document = tomlkit.document()
    for line in (
        "What the controller did; positions and lengths are in bits of the page.",
        *_comments(recipe),
    ):
        document.add(tomlkit.comment(line))
    for key, value in to_dict(recipe).items():
        document.add(key, value)
    path.write_text(tomlkit.dumps(document), encoding="utf-8")


def load(path: Path) -> Recipe:
    """Read a recipe file.

    Raises:
        RecipeError: the file cannot be read, is no TOML, or holds no valid recipe.
    """
    values = read(path)
    # A recipe of the library tells how to recognise its controller, too; that is no part of what the controller did.
    values.pop("library", None)
    try:
        return from_dict(values)
    except RecipeError as error:
        raise RecipeError(f"{path}: {error}") from error


def read(path: Path) -> dict[str, Any]:
    """A TOML file as plain values.

    Raises:
        RecipeError: the file cannot be read, or is no TOML.
    """
    try:
        return tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise RecipeError(f"{path}: {error.strerror}") from error
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise RecipeError(f"{path}: not a TOML file: {error}") from error


def _comments(recipe: Recipe) -> list[str]:
    return [f"{question}: {answer}" for question, answer in recipe.describe().items()]


def _to_file(recipe: Recipe) -> _RecipeFile:
    layout = recipe.layout
    rows = [
        _CodewordTable(
            message=[_span_row(span) for span in codeword.message],
            parity=[(span.start, span.bits) for span in codeword.parity],
        )
        for codeword in layout.codewords
    ]
    return _RecipeFile(
        schema_version=SCHEMA_VERSION,
        layout=_LayoutTable(
            page_bytes=layout.page_bytes,
            pages_per_block=recipe.pages_per_block,
            codeword=rows,
            loose_metadata=[(span.start, span.bits) for span in layout.loose],
        ),
        code=_code_table(recipe.code),
        scrambler=_scrambler_table(recipe.scrambler),
        translation=_TranslationTable(
            kind=recipe.translation.kind,
            logical_number=_field_table(recipe.translation.logical_number),
            version=_field_table(recipe.translation.version),
        ),
        interleave=_interleave_table(recipe.interleave),
    )


def _span_row(span: Span) -> SpanRow:
    row = (span.part, span.start, span.bits)
    return row if span.target is None else (*row, span.target)


def _code_table(code: Code | None) -> _CodeTable | None:
    if code is None:
        return None
    return _CodeTable(
        m=code.m,
        primitive_polynomial=code.primitive_polynomial if code.family != "hamming" else None,
        t=code.t,
        first_root=code.first_root,
        bit_order=code.bit_order,
        inverted=code.inverted,
        erased_is_codeword=code.erased_is_codeword,
        family=code.family,
        padding=code.padding if code.family == "reed_solomon" else None,
    )


def _scrambler_table(scrambler: Scrambler | None) -> _ScramblerTable | None:
    if scrambler is None:
        return None
    rule = scrambler.keystreams
    common = {
        "place": scrambler.place,
        "restart": scrambler.restart,
        "covers": [part for part in Part if part in scrambler.covers],
        "page_step": scrambler.page_step,
        "block_step": scrambler.block_step,
    }
    if isinstance(rule, StoredKeystreams):
        return _ScramblerTable(**common, keystreams=[stream.hex() for stream in rule.streams])
    return _ScramblerTable(
        **common,
        polynomial=rule.polynomial,
        bit_order=rule.bit_order,
        complement=rule.complement,
        seeds=list(rule.seeds),
    )


def _field_table(field: BitField | None) -> _BitFieldTable | None:
    if field is None:
        return None
    return _BitFieldTable(
        first_byte=field.first_byte, length=field.length, byte_order=field.byte_order, mask=field.mask
    )


def _interleave_table(interleave: Interleave) -> _InterleaveTable | None:
    if interleave == NO_INTERLEAVE:
        return None
    return _InterleaveTable(
        chips=[list(lanes) for lanes in interleave.chips],
        planes=interleave.planes,
        order=list(interleave.order),
        by=interleave.by,
        numbers=interleave.numbers,
        sure=interleave.sure,
    )


def _interleave(table: _InterleaveTable) -> Interleave:
    return Interleave(
        tuple(map(tuple, table.chips)), table.planes, tuple(table.order), table.by, table.numbers, table.sure
    )


def _from_file(file: _RecipeFile) -> Recipe:
    code = _code(file.code) if file.code else None
    scrambler = _scrambler(file.scrambler) if file.scrambler else None
    return Recipe(
        file.layout.pages_per_block,
        _layout(file.layout),
        code,
        scrambler,
        _translation(file.translation),
        _interleave(file.interleave) if file.interleave else NO_INTERLEAVE,
    )


def _layout(table: _LayoutTable) -> PageLayout:
    return PageLayout(
        table.page_bytes,
        tuple(
            Codeword(
                tuple(Span(*span) for span in row.message),
                tuple(Span(Part.PARITY, start, bits) for start, bits in row.parity),
            )
            for row in table.codeword
        ),
        tuple(Span(Part.METADATA, start, bits) for start, bits in table.loose_metadata),
    )


def _code(table: _CodeTable) -> Code:
    return Code(
        table.m,
        table.primitive_polynomial or 0,
        table.t,
        table.first_root,
        table.bit_order,
        table.inverted,
        table.erased_is_codeword,
        table.family,
        table.padding or "front",
    )


def _scrambler(table: _ScramblerTable) -> Scrambler:
    rule: LfsrKeystreams | StoredKeystreams
    if table.polynomial is not None and table.seeds:
        rule = LfsrKeystreams(table.polynomial, tuple(table.seeds), table.bit_order, table.complement)
    elif table.keystreams:
        rule = StoredKeystreams(tuple(bytes.fromhex(stream) for stream in table.keystreams))
    else:
        raise RecipeError("the scrambler needs a polynomial with seeds, or keystreams")
    return Scrambler(table.place, table.restart, rule, frozenset(table.covers), table.page_step, table.block_step)


def _translation(table: _TranslationTable) -> Translation:
    return Translation(table.kind, _field(table.logical_number), _field(table.version))


def _field(table: _BitFieldTable | None) -> BitField | None:
    if table is None:
        return None
    return BitField(table.first_byte, table.length, table.byte_order, table.mask)
