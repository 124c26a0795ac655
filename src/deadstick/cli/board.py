"""The commands about the dead board; thin, like `main`. Engines are loaded when a command needs them."""

from pathlib import Path
from typing import Annotated

import typer

app = typer.Typer(
    name="board",
    help="The dead board: what the host sees, readings, odds, the next test, thermal pictures, the route.\n\n"
    "A board is a circuit file; its readings lie beside it in board-journal.jsonl, line by line. Begin with "
    "`deadstick board new`, then `deadstick board advise`.",
    rich_markup_mode=None,
    invoke_without_command=True,
)

BoardArgument = Annotated[Path, typer.Argument(metavar="BOARD", readable=False, help="The circuit file of the board.")]
JournalOption = Annotated[
    Path | None,
    typer.Option("--journal", metavar="FILE", readable=False, help="Another journal than the one beside the board."),
]
ByOption = Annotated[str, typer.Option("--by", metavar="NAME", help="Who did it, for the journal.")]
NoteOption = Annotated[str, typer.Option("--note", metavar="TEXT", help="Anything else, for the journal.")]
SupplyOption = Annotated[
    str | None,
    typer.Option(
        "--supply",
        metavar="RED,BLACK,VOLTS,AMPERES",
        help="The supply that fed the board meanwhile: its pads and both of its limits; or `plug` for the working "
        "voltage at the connector.",
    ),
]
InjectOption = Annotated[
    str | None,
    typer.Option("--inject", metavar="NET", help="Current was injected into NET: 1 V, at most 1 A, against ground."),
]


@app.callback()
def board(context: typer.Context) -> None:
    """Without a command: what there is. The text of the help stands above, with the name."""
    if context.invoked_subcommand is None:
        typer.echo(context.get_help())


@app.command()
def new(
    board: Annotated[Path, typer.Argument(metavar="BOARD", readable=False, help="The circuit file to write; new.")],
    template: Annotated[
        str | None, typer.Option("--template", metavar="NAME", help="A generic board: usb2, usb3 or card.")
    ] = None,
    sketch: Annotated[
        Path | None,
        typer.Option(
            metavar="FILE", readable=False, help="Lines of nets, parts and continuity, as they are buzzed out."
        ),
    ] = None,
    kicad: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="A KiCad netlist (.net) of the board.")
    ] = None,
    kind: Annotated[
        list[str] | None, typer.Option(metavar="PART=KIND", help="With --kicad: what a part is; repeat for each.")
    ] = None,
    volts: Annotated[
        list[str] | None, typer.Option(metavar="NET=VOLTS", help="With --kicad: voltage of a power net.")
    ] = None,
    pin: Annotated[
        list[str] | None, typer.Option(metavar="PART.NUMBER=NAME", help="With --kicad: IN, OUT, GND, A or K.")
    ] = None,
    leave_out: Annotated[
        list[str] | None, typer.Option(metavar="PART", help="With --kicad: a part that does not matter.")
    ] = None,
    ground: Annotated[str | None, typer.Option(metavar="NET", help="With --kicad: the ground net.")] = None,
    size: Annotated[str, typer.Option(metavar="WIDTHxHEIGHT", help="With --kicad: the board in mm.")] = "40x15",
) -> None:
    """Begin with a board: from a template, a sketch, or a KiCad netlist.

    The file is plain TOML, to correct by hand: positions matter for thermal pictures, values and loads for the odds.

    \b
    Example:       deadstick board new --template usb2 job-21/board.toml
    """  # noqa: D301 - \b is Typer's mark for lines that stay as they are
    from deadstick.cli import board_commands  # noqa: PLC0415 - late, as said above

    given = board_commands.KicadWords(
        tuple(kind or ()), tuple(volts or ()), tuple(pin or ()), tuple(leave_out or ()), ground, size
    )
    raise typer.Exit(board_commands.new(board, template, sketch, kicad, given))


@app.command()
def look(
    log: Annotated[
        Path | None,
        typer.Option(metavar="FILE", readable=False, help="A saved kernel log that covers the plugging-in."),
    ] = None,
    port: Annotated[str, typer.Option(metavar="PORT", help="With --log: only this port, as in 1-3.")] = "",
    save: Annotated[
        Path | None,
        typer.Option(metavar="FILE", readable=False, help="Save what the host knows now, without the stick."),
    ] = None,
    before: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="What --save wrote before it was plugged in.")
    ] = None,
    lsblk: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="Saved output of `lsblk --json --bytes`.")
    ] = None,
    root: Annotated[Path, typer.Option(metavar="DIR", readable=False, help="Where the `sys` to read lies.")] = Path(
        "/"
    ),
    expect_id: Annotated[
        str | None, typer.Option(metavar="VENDOR:PRODUCT", help="What the stick should call itself, as in 1234:abcd.")
    ] = None,
    expect_bytes: Annotated[int | None, typer.Option(min=1, metavar="N", help="What it should hold, roughly.")] = None,
    board: Annotated[
        Path | None, typer.Option(metavar="BOARD", readable=False, help="Note it as evidence in this board's journal.")
    ] = None,
    journal: JournalOption = None,
    by: ByOption = "",
) -> None:
    """See what the host sees; read-only, from Linux's sysfs or from a saved kernel log.

    Without the stick: --save before.json. Then plug it in: --before before.json, and --log with the output of dmesg,
    because an attach that fails shows only there.

    \b
    Example:       deadstick board look --log dmesg.txt --board job-21/board.toml
    """  # noqa: D301
    from deadstick.cli import board_look  # noqa: PLC0415

    words = board_look.LookWords(log, port, save, before, lsblk, root, expect_id, expect_bytes)
    raise typer.Exit(board_look.look(words, board, journal, by))


# A drop along a net has a sign: -3m is a value and no option.
@app.command(context_settings={"ignore_unknown_options": True})
def read(
    board: BoardArgument,
    kind: Annotated[
        str,
        typer.Argument(
            metavar="KIND", help="resistance, four-wire, continuity, diode, voltage, current, drop or clock."
        ),
    ],
    words: Annotated[
        list[str],
        typer.Argument(
            metavar="PAD... VALUE",
            help="Where the leads were, red first, and what was read: 310m, 4.7k, yes, no, or open for an overload. "
            "With --instrument there is no VALUE.",
        ),
    ],
    sigma: Annotated[
        float | None, typer.Option(min=0, metavar="N", help="Standard deviation of the instrument at this value.")
    ] = None,
    supply: SupplyOption = None,
    inject: InjectOption = None,
    instrument: Annotated[
        str | None, typer.Option(metavar="ADDRESS", help="Read it from a SCPI instrument at this VISA address.")
    ] = None,
    visa: Annotated[str, typer.Option(metavar="LIBRARY", help="The VISA library, as pyvisa names it.")] = "",
    meter: Annotated[str, typer.Option(metavar="NAME", help="What it was read with by hand, for the journal.")] = "",
    journal: JournalOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Add a reading to the journal, by hand or from an instrument.

    A pad is PART.PIN; the contact of a connector, where a plug would touch, is PART.PIN@plug.

    \b
    Example:       deadstick board read board.toml four-wire C7.1 C7.2 310m
                   deadstick board read board.toml voltage U3.OUT J1.GND 0.42 --supply plug
    """  # noqa: D301
    from deadstick.cli import board_commands  # noqa: PLC0415

    given = board_commands.ReadWords(kind, tuple(words), sigma, supply, inject, instrument, visa, meter, note)
    raise typer.Exit(board_commands.read(board, journal, given, by))


@app.command()
def lift(
    board: BoardArgument,
    part: Annotated[str, typer.Argument(metavar="PART", help="The part that was taken off.")],
    found: Annotated[
        str | None, typer.Option(metavar="STATE", help="What the part by itself turned out to be: good or faulty.")
    ] = None,
    fit: Annotated[bool, typer.Option("--fit", help="It was put on again instead.")] = False,
    journal: JournalOption = None,
    by: ByOption = "",
    note: NoteOption = "",
) -> None:
    """Note that a part came off the board, or went back on; later readings know it.

    \b
    Example:       deadstick board lift board.toml C7 --found faulty
    """  # noqa: D301
    from deadstick.cli import board_commands  # noqa: PLC0415

    raise typer.Exit(board_commands.lift(board, journal, part, found, fit=fit, by=by, note=note))


@app.command()
def odds(
    board: BoardArgument,
    most: Annotated[int, typer.Option("--most", min=1, metavar="N", help="How many faults to show.")] = 12,
    journal: JournalOption = None,
) -> None:
    """Show how likely each fault is after everything in the journal.

    \b
    Example:       deadstick board odds board.toml
    """  # noqa: D301
    from deadstick.cli import board_commands  # noqa: PLC0415

    raise typer.Exit(board_commands.odds(board, journal, most))


@app.command()
def advise(
    board: BoardArgument,
    nand_route: Annotated[
        bool, typer.Option("--nand-route", help="The raw read is the chosen route, so the NAND may be heated.")
    ] = False,
    certain: Annotated[
        float | None, typer.Option(min=0.5, max=0.9999, metavar="P", help="Probability at which the verdict stands.")
    ] = None,
    journal: JournalOption = None,
) -> None:
    """Say which test to make next, why, and what to mind; or the verdict.

    \b
    Example:       deadstick board advise board.toml
    """  # noqa: D301
    from deadstick.cli import board_commands  # noqa: PLC0415

    raise typer.Exit(board_commands.advise(board, journal, certain, nand_route=nand_route))


@app.command()
def thermal(
    board: BoardArgument,
    before: Annotated[Path, typer.Argument(metavar="BEFORE", readable=False, help="Picture without power.")],
    powered: Annotated[Path, typer.Argument(metavar="POWERED", readable=False, help="The same view under power.")],
    points: Annotated[
        Path, typer.Option(metavar="FILE", readable=False, help="Four or more points of the picture and of the board.")
    ],
    scale: Annotated[
        float | None, typer.Option(metavar="N", help="Degrees Celsius per stored step; needed for integers.")
    ] = None,
    offset: Annotated[float | None, typer.Option(metavar="N", help="Degrees Celsius of a stored zero.")] = None,
    plot: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="Draw it as PNG, with the parts overlaid; new.")
    ] = None,
    photo: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="With --plot: a photo of the board beneath.")
    ] = None,
    supply: SupplyOption = None,
    inject: InjectOption = None,
    journal: JournalOption = None,
    by: ByOption = "",
) -> None:
    """Find what got warm between two radiometric pictures, and note it as evidence.

    Pictures are CSV matrices in degrees Celsius, or 16- or 32-bit TIFF. Without --supply or --inject the spots are only
    shown: what they mean depends on what fed the board.

    \b
    Example:       deadstick board thermal board.toml cold.tiff warm.tiff --points points.toml --inject VCC33
    """  # noqa: D301
    from deadstick.cli import board_thermal  # noqa: PLC0415

    given = board_thermal.ThermalWords(before, powered, points, scale, offset, plot, photo, supply, inject)
    raise typer.Exit(board_thermal.thermal(board, journal, given, by))


@app.command()
def route(
    board: Annotated[
        Path | None, typer.Argument(metavar="[BOARD]", readable=False, help="The circuit file of the board.")
    ] = None,
    encrypts: Annotated[
        str | None, typer.Option(metavar="ANSWER", help="Whether the controller encrypts, where known: yes or no.")
    ] = None,
    donor: Annotated[
        str | None, typer.Option(metavar="ANSWER", help="Whether a matching donor is at hand: yes or no.")
    ] = None,
    worth: Annotated[
        float, typer.Option(min=0, metavar="HOURS", help="What a recovery is worth, in hours of work.")
    ] = 60.0,
    figures: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="The lab's figures instead of the shipped ones.")
    ] = None,
    cases: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="The lab's closed cases, to learn from.")
    ] = None,
    write_figures: Annotated[
        Path | None, typer.Option(metavar="FILE", readable=False, help="Only write the shipped figures, to edit; new.")
    ] = None,
    journal: JournalOption = None,
) -> None:
    """Compare the routes: repair, donor controller, raw read of the NAND, stop.

    For each the odds, the hours, what is destroyed and what must match; then the order that promises most, and what
    would change it.

    \b
    Example:       deadstick board route board.toml --encrypts no --cases closed.toml
    """  # noqa: D301
    from deadstick.cli import board_route  # noqa: PLC0415

    given = board_route.RouteWords(encrypts, donor, worth, figures, cases)
    raise typer.Exit(board_route.route(board, journal, given, write_figures))


@app.command(name="journal")
def journal_(
    board: BoardArgument,
    strike: Annotated[
        int | None, typer.Option(min=1, metavar="N", help="Strike line N: it stays, and counts no more.")
    ] = None,
    reason: Annotated[str, typer.Option(metavar="TEXT", help="Why the line is struck.")] = "",
    remark: Annotated[str | None, typer.Option(metavar="TEXT", help="Add a remark.")] = None,
    journal: JournalOption = None,
    by: ByOption = "",
) -> None:
    """Show the journal, add a remark, or strike a line.

    \b
    Example:       deadstick board journal board.toml --strike 4 --reason "leads were crossed"
    """  # noqa: D301
    from deadstick.cli import board_commands  # noqa: PLC0415

    raise typer.Exit(board_commands.journal(board, journal, strike, reason, remark, by))


@app.command()
def cautions(
    steps: Annotated[
        list[str] | None,
        typer.Argument(metavar="STEP", help="open, probe, power, inject, thermal, lift or lift-nand; all by default."),
    ] = None,
) -> None:
    """Show the cautions of the steps of the bench work, with their sources.

    \b
    Example:       deadstick board cautions inject lift
    """  # noqa: D301
    from deadstick.cli import board_commands  # noqa: PLC0415

    raise typer.Exit(board_commands.cautions(tuple(steps or ())))
