"""Options of the command line as hints."""

from pathlib import Path

from deadstick.errors import HintError
from deadstick.recipe.code import BitOrder
from deadstick.solve.hints.hints import FAMILIES, CodeHint, Hints, ScramblerHint
from deadstick.solve.hints.partial import checked_code, merged, read_hints
from deadstick.solve.library.library import default_folder

SCRAMBLERS: dict[str, ScramblerHint] = {
    "none": ScramblerHint("none"),
    "before": ScramblerHint("before_ecc"),
    "after": ScramblerHint("after_ecc"),
}
ORDERS: dict[str, BitOrder] = {"msb": "msb", "lsb": "lsb"}
CODE_FORM = "--code takes FAMILY or FAMILY:KEY=NUMBER,..., for instance bch:m=14,t=40 or bch:poly=0x402b,data=1024"
KEYS = {"m": "m", "poly": "polynomial", "t": "t", "data": "message_bytes"}
"""Keys of `--code`, and what they are in `CodeHint`."""


def hints(
    *,
    page_bytes: int | None = None,
    spare_bytes: int | None = None,
    pages_per_block: int | None = None,
    code: str | None = None,
    scrambler: str | None = None,
    bits: str | None = None,
    recipe: Path | None = None,
    library: Path | None = None,
    no_library: bool = False,
) -> Hints:
    """All options of a command together.

    Raises:
        HintError: an option cannot be read, or two of them contradict each other.
        RecipeError: the recipe file cannot be used.
    """
    given = Hints(
        page_bytes,
        spare_bytes,
        pages_per_block,
        code=parse_code(code) if code is not None else None,
        scrambler=parse_scrambler(scrambler) if scrambler is not None else None,
        bit_order=parse_bits(bits),
        library=library_folder(library, no_library=no_library),
    )
    return given if recipe is None else merged(given, read_hints(recipe))


def parse_code(text: str) -> CodeHint:
    """What `--code` says.

    Raises:
        HintError: it is none of the forms, or says something impossible.

    >>> parse_code("bch:poly=0x402b,t=40").describe()
    'bch:m=14,poly=0x402b,t=40'
    """
    family, colon, rest = text.strip().lower().partition(":")
    known = next((name for name in FAMILIES if name == family), None)
    if known is None:
        raise HintError(f"--code {text}: {family!r} is none of {', '.join(FAMILIES)}; {CODE_FORM}")
    values: dict[str, int | None] = dict.fromkeys(KEYS.values())
    for item in rest.split(",") if colon else ():
        key, equals, number = (part.strip() for part in item.partition("="))
        if not equals or key not in KEYS:
            raise HintError(f"--code {text}: {item!r} is none of {', '.join(f'{key}=' for key in KEYS)}; {CODE_FORM}")
        values[KEYS[key]] = _number(text, number)
    return checked_code(CodeHint(known, values["m"], values["polynomial"], values["t"], values["message_bytes"]))


def _number(text: str, number: str) -> int:
    try:
        value = int(number, 0)
    except ValueError as error:
        raise HintError(f"--code {text}: {number!r} is no number; write 40 or 0x402b") from error
    if value < 1:
        raise HintError(f"--code {text}: {number} is below 1")
    return value


def parse_scrambler(text: str) -> ScramblerHint:
    """What `--scrambler` says.

    Raises:
        HintError: it is none of the words.

    >>> parse_scrambler("after").place
    'after_ecc'
    """
    if text not in SCRAMBLERS:
        raise HintError(f"--scrambler {text}: it is none of {', '.join(SCRAMBLERS)}")
    return SCRAMBLERS[text]


def parse_bits(text: str | None) -> BitOrder | None:
    """What `--bits` says.

    Raises:
        HintError: it is neither of the two words.
    """
    order = ORDERS.get(text) if text is not None else None
    if text is not None and order is None:
        raise HintError(f"--bits {text}: it is neither msb nor lsb")
    return order


def library_folder(folder: Path | None, *, no_library: bool) -> Path | None:
    """Where the library is; None where there is to be none.

    Raises:
        HintError: a folder is named that is a file, or named although there is to be none.
    """
    if no_library:
        if folder is not None:
            raise HintError("--library and --no-library contradict each other")
        return None
    chosen = folder or default_folder()
    if chosen is not None and chosen.exists() and not chosen.is_dir():
        raise HintError(f"--library {chosen}: this is a file; a library is a folder of recipe files")
    return chosen
