"""The commands. Engines are loaded when a command needs them, so that `--help` answers at once."""

import os
import sys
import traceback
from collections.abc import Callable
from pathlib import Path
from typing import Annotated, Any, NoReturn

import typer

from deadstick import __version__
from deadstick.cli import board
from deadstick.errors import DeadstickError

EXIT_WRONG_USE = 2
EXIT_FAULT = 1
EXIT_STOPPED = 130
"""128 + SIGINT, as shells count it."""
STOPPED = "stopped; run the same command again to go on"
TRACEBACK = "DEADSTICK_TRACEBACK"

app = typer.Typer(
    name="deadstick",
    help="From the raw read of a flash chip to the files, with the evidence on the table.\n\n"
    "New here? Run `deadstick demo`: it makes a dead stick and recovers it.",
    add_completion=False,
    rich_markup_mode=None,
)
app.add_typer(board.app)

# `readable=False`: our own check says more, and says it in one way for all.
DumpArgument = Annotated[
    Path,
    typer.Argument(
        metavar="DUMP",
        readable=False,
        help="The raw read of the chip: data and spare areas. Several reads of it are joined by commas.",
    ),
]
DumpArguments = Annotated[
    list[Path],
    typer.Argument(
        metavar="DUMP",
        readable=False,
        help="One for each chip, in any order: its raw read, data and spare areas. Several reads are joined by commas.",
    ),
]
PageBytes = Annotated[
    int | None, typer.Option(min=1, metavar="N", help="Data bytes of a page, without the spare area, if you know them.")
]
SpareBytes = Annotated[int | None, typer.Option(min=0, metavar="N", help="Spare bytes of a page, if you know them.")]
PagesPerBlock = Annotated[int | None, typer.Option(min=1, metavar="N", help="Pages of a block, if you know them.")]
CodeOption = Annotated[
    str | None,
    typer.Option(
        "--code",
        metavar="CODE",
        help="Family of the code: bch, rs, hamming or none; also as bch:m=14,t=40,poly=0x402b.",
    ),
]
ScramblerOption = Annotated[
    str | None, typer.Option("--scrambler", metavar="PLACE", help="none, or before or after the error correction.")
]
BitsOption = Annotated[
    str | None, typer.Option("--bits", metavar="END", help="The end of a byte that the code takes first: msb or lsb.")
]
RecipeFile = Annotated[
    Path | None,
    typer.Option(
        metavar="FILE", readable=False, help="A recipe to prove instead of searching, or a part of one to start from."
    ),
]
LibraryOption = Annotated[
    Path | None, typer.Option(metavar="DIR", readable=False, help="Another folder of recipes to try first.")
]
NoLibrary = Annotated[bool, typer.Option("--no-library", help="Try no recipe from the library, and add none.")]


def _version(value: bool) -> None:
    if value:
        typer.echo(f"deadstick {__version__}")
        raise typer.Exit


@app.callback()
def _main(
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and end.")
    ] = False,
) -> None:
    pass


@app.command()
def recover(
    dumps: DumpArguments,
    case: Annotated[
        Path,
        typer.Option(metavar="DIR", readable=False, help="Folder of the case: new, empty, or begun with this dump."),
    ],
    page_bytes: PageBytes = None,
    spare_bytes: SpareBytes = None,
    pages_per_block: PagesPerBlock = None,
    code: CodeOption = None,
    scrambler: ScramblerOption = None,
    bits: BitsOption = None,
    recipe: RecipeFile = None,
    library: LibraryOption = None,
    no_library: NoLibrary = False,
) -> None:
    """Recover the files from a raw dump: the whole job.

    Works out what the controller did, undoes it, and writes the disk, the files, a report and the evidence into
    DIR. The dump is only read. A run that was stopped goes on when the same command is given again.

    \b
    Writes in DIR: files/, deleted/, files.csv, disk.img, report.html, result.json, recipe.toml, pages.parquet, case.db
    Library:       a solved recipe is added to the folder of recipes that are tried first, unless --no-library is given
    Exit status:   0 recovered, 3 partly, 4 not solved, encrypted or unreadable, 2 wrong use or unusable input
    Examples:      deadstick recover chip.bin --case job-17
                   deadstick recover read1.bin,read2.bin,read3.bin --case job-18
                   deadstick recover chip0.bin chip1.bin --case job-19
    """  # noqa: D301 - \b is Typer's mark for lines that stay as they are
    from deadstick.cli import commands  # noqa: PLC0415 - late, as said above
    from deadstick.cli.hints import hints  # noqa: PLC0415

    given = hints(
        page_bytes=page_bytes,
        spare_bytes=spare_bytes,
        pages_per_block=pages_per_block,
        code=code,
        scrambler=scrambler,
        bits=bits,
        recipe=recipe,
        library=library,
        no_library=no_library,
    )
    raise typer.Exit(commands.recover(dumps, case, given))


@app.command()
def solve(
    dumps: DumpArguments,
    explain: Annotated[
        bool, typer.Option("--explain", help="Show the evidence for every answer, and the rivals.")
    ] = False,
    save: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="Write the recipe to FILE, which must be new.")
    ] = None,
    page_bytes: PageBytes = None,
    spare_bytes: SpareBytes = None,
    pages_per_block: PagesPerBlock = None,
    code: CodeOption = None,
    scrambler: ScramblerOption = None,
    bits: BitsOption = None,
    recipe: RecipeFile = None,
    library: LibraryOption = None,
    no_library: NoLibrary = False,
) -> None:
    """Work out what the controller did, and rebuild nothing.

    Prints page layout, code, scrambler and block mapping; with --explain also the figure that speaks for each
    answer, the chance that an accident gave it, and what else was looked at. Writes nothing without --save, but
    for a solved recipe: it is added to the library, the folder of recipes that are tried first, unless --no-library.

    \b
    Exit status:   0 solved, 4 not solved, 2 wrong use or unusable input
    Examples:      deadstick solve chip.bin --explain --save chip.toml
                   deadstick solve chip0.bin chip1.bin --explain
    """  # noqa: D301
    from deadstick.cli import commands  # noqa: PLC0415
    from deadstick.cli.hints import hints  # noqa: PLC0415

    given = hints(
        page_bytes=page_bytes,
        spare_bytes=spare_bytes,
        pages_per_block=pages_per_block,
        code=code,
        scrambler=scrambler,
        bits=bits,
        recipe=recipe,
        library=library,
        no_library=no_library,
    )
    raise typer.Exit(commands.solve(dumps, given, explain=explain, save=save))


@app.command()
def inspect(dump: DumpArgument, page_bytes: PageBytes = None, spare_bytes: SpareBytes = None) -> None:
    """Look at a dump, and interpret little: a few seconds, no recipe needed. Writes nothing.

    Prints size, SHA-256, erased share, the page sizes that the dump suggests, and the entropy of every column of the
    page as a small picture. With --page-bytes, and --spare-bytes where pages have a spare area, for that page.

    \b
    Exit status:   0, or 2 for wrong use or unusable input
    Example:       deadstick inspect chip.bin --page-bytes 8192 --spare-bytes 640
    """  # noqa: D301
    from deadstick.cli import commands  # noqa: PLC0415

    raise typer.Exit(commands.inspect(dump, page_bytes, spare_bytes))


@app.command()
def demo(
    out: Annotated[
        Path,
        typer.Option(
            metavar="DIR", readable=False, help="A new or an empty folder, or one of an earlier demonstration."
        ),
    ] = Path("demo-case"),
    seed: Annotated[int, typer.Option(min=0, metavar="N", help="Another number makes another stick.")] = 1,
) -> None:
    """Make a dead stick in simulation, recover it, and compare with what lay on it.

    The recovery is given the dump and nothing else; what lay on the stick stays in memory until the end.
    In a folder of an earlier demonstration its own files are replaced, and nothing else is touched.

    \b
    Writes in DIR: dump.bin, case/, and demo.json, which marks the folder
    Exit status:   as for recover; 1 if a file was called exact that is not
    Example:       deadstick demo --out demo-case
    """  # noqa: D301
    from deadstick.cli import commands  # noqa: PLC0415

    raise typer.Exit(commands.demo(out, seed))


def run(arguments: list[str] | None = None) -> NoReturn:
    """Run the program and end it: every refusal is one line on standard error, never a traceback."""
    for stream in (sys.stdout, sys.stderr):
        # Names of files may hold what the terminal cannot show.
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="replace")
    given = sys.argv[1:] if arguments is None else arguments
    sys.exit(_status(lambda: app(given or ["--help"], prog_name="deadstick", standalone_mode=False)))


def _status(command: Callable[[], Any]) -> int:
    """Run a command; the exit status that it gives, or that its failure stands for."""
    try:
        status = command()
        sys.stdout.flush()
    except KeyboardInterrupt:
        status = EXIT_STOPPED
    except typer.TyperException as error:
        return _refuse(f"{error.format_message()} (deadstick --help)")
    except DeadstickError as error:
        return _refuse(str(error))
    except OSError as error:
        name = f"{error.filename}: " if error.filename else ""
        return _refuse(f"{name}{error.strerror or error}")
    except MemoryError:
        return _refuse("not enough memory for this dump")
    except Exception as error:  # noqa: BLE001 - told with its place, and with an exit status of its own
        return _fault(error)
    if status == EXIT_STOPPED:
        _say(STOPPED)
    return status if isinstance(status, int) else 0


def _refuse(line: str) -> int:
    _say(line)
    return EXIT_WRONG_USE


def _fault(error: Exception) -> int:
    if os.environ.get(TRACEBACK):
        traceback.print_exc()
    place = traceback.extract_tb(error.__traceback__)[-1]
    where = f"{Path(place.filename).name}, line {place.lineno}"
    _say(f"a fault in this program, not in your input ({type(error).__name__}: {error}; {where}); "
         f"please report it; {TRACEBACK}=1 shows all")  # fmt: skip
    return EXIT_FAULT


def _say(line: str) -> None:
    typer.echo(f"deadstick: {' '.join(line.split())}", err=True)
