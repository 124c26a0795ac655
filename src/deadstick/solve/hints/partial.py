"""A recipe file of which only a part is there: what is given narrows the search, what is missing is searched.

A file is *whole* if it has a complete `layout` and a `translation`, as the program writes it; a table that is not in it
then says that the controller had no such thing. Everything else is partial, and so is a whole file that says
`partial = true`: there a missing table, or a missing key of a table, says nothing.
"""

import hashlib
import json
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

from deadstick.codes import gf2poly
from deadstick.errors import HintError, RecipeError
from deadstick.recipe import toml
from deadstick.recipe.code import Code
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.hints.hints import FAMILIES, CodeHint, Hints, KnownParts, ScramblerHint
from deadstick.solve.hints.partial_interleave import interleave_hint

TABLES = {"layout", "code", "scrambler", "translation", "interleave"}
OTHERS = {"schema_version", "partial", "library"}
LAYOUT_KEYS = {"page_bytes", "pages_per_block"}
CODE_KEYS = {"family", "m", "primitive_polynomial", "t", "data_bytes", "bit_order", "inverted", "erased_is_codeword"}
SCRAMBLER_KEYS = {"place", "polynomial", "keystream_count"}


def read_hints(path: Path) -> Hints:
    """What a recipe file says, be it whole or partial.

    Args:
        path: a TOML file.

    Returns:
        `Hints.recipe` for a whole file, else hints of the parts that it has.

    Raises:
        RecipeError: the file cannot be read, or a table or key in it is unknown or impossible.
    """
    values = toml.read(path)
    if is_whole(values):
        return Hints(recipe=toml.load(path))
    try:
        return hints_from_dict(values)
    except (HintError, RecipeError) as error:
        raise type(error)(f"{path}: {error}") from error


def is_whole(values: dict[str, Any]) -> bool:
    """Whether a file stands for all that a controller did."""
    layout = values.get("layout")
    complete = isinstance(layout, dict) and {"page_bytes", "pages_per_block", "codeword"} <= layout.keys()
    return complete and "translation" in values and not values.get("partial", False)


def hints_from_dict(values: dict[str, Any]) -> Hints:
    """Hints from the tables of a partial recipe file.

    Raises:
        RecipeError: a table or key is unknown or impossible.

    >>> hints_from_dict({"layout": {"page_bytes": 8832}, "code": {"t": 40}}).code
    CodeHint(family='bch', m=None, polynomial=None, t=40, message_bytes=None, inverted=None, erased_is_codeword=None)
    """
    if unknown := values.keys() - TABLES - OTHERS:
        raise RecipeError(f"{min(unknown)}: a partial recipe has the tables {', '.join(sorted(TABLES))}")
    if not values.keys() & TABLES:
        raise RecipeError(f"none of the tables {', '.join(sorted(TABLES))} is in it")
    tables = {name: values[name] for name in sorted(TABLES & values.keys())}
    for name, table in tables.items():
        if not isinstance(table, dict):
            raise RecipeError(f"{name}: must be a table")
    hints = _layout_hints(tables["layout"]) if "layout" in tables else Hints()
    if "code" in tables:
        hints = merged(hints, _code_hints(tables["code"]))
    if "scrambler" in tables:
        hints = merged(hints, _scrambler_hints(tables["scrambler"]))
    if "translation" in tables:
        known = KnownParts(translation=toml.translation_from_dict(tables["translation"]))
        hints = merged(hints, Hints(known=known))
    if "interleave" in tables:
        known = KnownParts(interleave=interleave_hint(tables["interleave"]))
        hints = merged(hints, Hints(known=known))
    if hints.known is None:
        return hints
    digest = hashlib.sha256(json.dumps(tables, sort_keys=True).encode()).hexdigest()
    return replace(hints, known=replace(hints.known, digest=digest))


def merged(first: Hints, second: Hints) -> Hints:
    """Two sets of hints as one.

    Raises:
        HintError: they contradict each other.

    >>> merged(Hints(page_bytes=8192), Hints(spare_bytes=640)) == Hints(8192, 640)
    True
    """
    values: dict[str, Any] = {}
    for field in fields(Hints):
        one, other = getattr(first, field.name), getattr(second, field.name)
        if isinstance(one, CodeHint | ScramblerHint | KnownParts) and isinstance(other, type(one)):
            values[field.name] = _merged_parts(one, other)
        elif one is not None and other is not None and one != other:
            raise HintError(f"two hints contradict each other: {field.name} {one} and {other}")
        else:
            values[field.name] = one if one is not None else other
    return Hints(**values)


def _merged_parts(one: Any, other: Any) -> Any:
    values = {}
    for field in fields(one):
        mine, yours = getattr(one, field.name), getattr(other, field.name)
        if mine is not None and yours is not None and mine != yours:
            raise HintError(f"two hints contradict each other: {field.name} {mine} and {yours}")
        values[field.name] = mine if mine is not None else yours
    return replace(one, **values)


def _layout_hints(table: dict[str, Any]) -> Hints:
    if "codeword" in table:
        layout, pages_per_block = toml.layout_from_dict({"pages_per_block": 1, **table})
        known = pages_per_block if "pages_per_block" in table else None
        spare = layout.page_bytes - layout.data_bytes
        return Hints(layout.data_bytes, spare, known, known=KnownParts(layout=layout))
    _known_keys("layout", table, LAYOUT_KEYS | {"codeword", "loose_metadata"})
    block = _whole_number("layout.pages_per_block", table.get("pages_per_block"))
    page = _whole_number("layout.page_bytes", table.get("page_bytes"))
    if page is None:
        return Hints(pages_per_block=block)
    # Data areas are powers of two, and spare areas smaller than they (common practice, no source).
    page_data = 1 << (page.bit_length() - 1)
    return Hints(page_data, page - page_data, block)


def _code_hints(table: dict[str, Any]) -> Hints:
    family = table.get("family", "bch")
    if family not in FAMILIES:
        raise RecipeError(f"code.family: {family!r} is none of {', '.join(FAMILIES)}")
    if {"m", "primitive_polynomial", "t"} <= table.keys() and family == "bch":
        stored = {key: value for key, value in table.items() if key != "data_bytes"}
        code = toml.code_from_dict(stored)
        return Hints(
            code=checked_code(hint_of(code, _whole_number("code.data_bytes", table.get("data_bytes")))),
            bit_order=code.bit_order if "bit_order" in table else None,
            known=KnownParts(code=code) if "bit_order" in table else None,
        )
    _known_keys("code", table, CODE_KEYS)
    order = table.get("bit_order")
    if order not in {None, "msb", "lsb"}:
        raise RecipeError(f'code.bit_order: {order!r} is neither "msb" nor "lsb"')
    hint = CodeHint(
        family,
        _whole_number("code.m", table.get("m")),
        _hexadecimal("code.primitive_polynomial", table.get("primitive_polynomial")),
        _whole_number("code.t", table.get("t")),
        _whole_number("code.data_bytes", table.get("data_bytes")),
        _truth("code.inverted", table.get("inverted")),
        _truth("code.erased_is_codeword", table.get("erased_is_codeword")),
    )
    return Hints(code=checked_code(hint), bit_order=order)


def hint_of(code: Code, message_bytes: int | None = None) -> CodeHint:
    """A whole code as a hint."""
    return CodeHint(
        "bch", code.m, code.primitive_polynomial, code.t, message_bytes, code.inverted, code.erased_is_codeword
    )


def checked_code(hint: CodeHint) -> CodeHint:
    """The hint with the degree that its polynomial tells.

    Raises:
        HintError: its parts are impossible, alone or together.

    >>> checked_code(CodeHint("bch", polynomial=0x402B)).m
    14
    """
    if hint.family == "none" and hint != CodeHint("none"):
        raise HintError(f"code {hint.describe()}: no code has no parameters")
    if hint.m is not None and not 3 <= hint.m <= 16:
        raise HintError(f"code {hint.describe()}: m is 3 to 16")
    if hint.t is not None and not 1 <= hint.t <= 100:
        raise HintError(f"code {hint.describe()}: t is 1 to 100")
    if hint.polynomial is None:
        return hint
    degree = gf2poly.degree(hint.polynomial)
    if hint.m not in {None, degree}:
        raise HintError(f"code {hint.describe()}: the polynomial has degree {degree}, so m = {degree}")
    if not 3 <= degree <= 16 or not gf2poly.is_primitive(hint.polynomial):
        raise HintError(f"code {hint.describe()}: the polynomial is not a primitive one of degree 3 to 16")
    return replace(hint, m=degree)


def _scrambler_hints(table: dict[str, Any]) -> Hints:
    if table.get("place") == "none":
        _known_keys("scrambler", table, {"place"})
        return Hints(scrambler=ScramblerHint("none"))
    if {"place", "restart", "covers"} <= table.keys() and ("seeds" in table or "keystreams" in table):
        scrambler = toml.scrambler_from_dict(table)
        return Hints(scrambler=_hint_of_scrambler(scrambler), known=KnownParts(scrambler=scrambler))
    _known_keys("scrambler", table, SCRAMBLER_KEYS)
    place = table.get("place")
    if place not in {None, "before_ecc", "after_ecc"}:
        raise RecipeError(f'scrambler.place: {place!r} is none of "none", "before_ecc", "after_ecc"')
    polynomial = _hexadecimal("scrambler.polynomial", table.get("polynomial"))
    return Hints(
        scrambler=ScramblerHint(
            place, polynomial, _whole_number("scrambler.keystream_count", table.get("keystream_count"))
        )
    )


def _hint_of_scrambler(scrambler: Scrambler) -> ScramblerHint:
    rule = scrambler.keystreams
    polynomial = rule.polynomial if isinstance(rule, LfsrKeystreams) else None
    return ScramblerHint(scrambler.place, polynomial, rule.count)


def _known_keys(name: str, table: dict[str, Any], known: set[str]) -> None:
    if unknown := table.keys() - known:
        raise RecipeError(
            f"{name}.{min(unknown)}: a table of which keys are missing may have {', '.join(sorted(known))}"
        )


def _whole_number(name: str, value: Any) -> int | None:
    if value is not None and (not isinstance(value, int) or isinstance(value, bool) or value < 1):
        raise RecipeError(f"{name}: {value!r} is no whole number from 1 on")
    return value


def _truth(name: str, value: Any) -> bool | None:
    if value is not None and not isinstance(value, bool):
        raise RecipeError(f"{name}: {value!r} is neither true nor false")
    return value


def _hexadecimal(name: str, value: Any) -> int | None:
    if value is None:
        return None
    try:
        return value if isinstance(value, int) else int(value, 16)
    except (TypeError, ValueError) as error:
        raise RecipeError(f"{name}: {value!r} is no hexadecimal number") from error
