"""Standard output for the commands; apart from what they print, so that it costs no engine."""

from collections.abc import Iterable

from rich.console import Console
from rich.text import Text


def console() -> Console:
    """Standard output; without colours and at a fixed width where it is no terminal."""
    plain = Console(highlight=False)
    return plain if plain.is_terminal else Console(highlight=False, width=160, color_system=None)


def pairs(rows: Iterable[tuple[str, str]], out: Console) -> None:
    """Lines of a name and what it stands for."""
    # `Text`, so that brackets in names of files are not read as markup.
    for name, value in rows:
        out.print(Text(f"  {name:<12} {value}"), soft_wrap=True)
