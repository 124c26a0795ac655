"""What the board commands print on standard output."""

from collections.abc import Mapping, Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from deadstick.board.advice import Advice
from deadstick.board.cautions import DEFER, Caution
from deadstick.board.circuit import Circuit
from deadstick.board.explain import instruction
from deadstick.board.host import Sight
from deadstick.board.journal import NAME, Journal, table
from deadstick.board.readings import Odds, Supply, percent, quantity
from deadstick.board.route_figures import Route
from deadstick.board.routes import Choice, Outlook, Plan
from deadstick.cli.console import console, pairs

FEW = 4
LIKELY = 0.01
"""A memory that is less likely at fault is not spoken of."""
WARM_W = 0.05
"""Less warms a NAND no more than its own work does: 20 mA at 3.3 V (common practice, no source)."""


def line(text: str, out: Console | None = None) -> None:
    """One line, or several; brackets are no markup."""
    (out or console()).print(Text(text), soft_wrap=True)


def circuit(found: Circuit, path: Path, readings: int, conflicts: Sequence[str]) -> None:
    """The end of `board new`."""
    out = console()
    line(f"{path}: {found.name}, {len(found.nets)} nets, {len(found.parts)} parts", out)
    if readings:
        line(f"{readings} continuity readings are in the journal", out)
    for conflict in conflicts:
        line(f"look again: {conflict}", out)
    if found.notes:
        line(found.notes, out)
    line("check nets, values and positions in the file against the board", out)
    line(f"its readings go to {path.parent / NAME}: one folder for each board", out)


def after(what: str, before: Odds, now: Odds) -> None:
    """What a reading changed."""
    out = console()
    line(what, out)
    old = before.by_parts()
    for parts, chance in list(now.by_parts().items())[:FEW]:
        line(f"  {' + '.join(parts):<12} {percent(old.get(parts, 0.0))} -> {percent(chance)}", out)


def odds(found: Odds, most: int) -> None:
    """Faults, most likely first."""
    out = console()
    rows = Table(title="Odds", title_justify="left")
    for heading, justify in (("chance", "right"), ("part", "left"), ("fault", "left")):
        rows.add_column(heading, justify=justify, overflow="fold")  # type: ignore[arg-type]  # a literal, through a tuple
    for chance in found.chances[:most]:
        rows.add_row(percent(chance.probability), Text(" + ".join(chance.parts)), Text(chance.text))
    rest = sum(chance.probability for chance in found.chances[most:])
    if rest > 0:
        rows.add_row(percent(rest), "", f"{len(found.chances) - most} others")
    out.print(rows)


def advice(
    found: Advice, board: Circuit, now: Odds, noting: str, memory: Sequence[str], minded: Sequence[Caution]
) -> None:
    """The next step or the verdict, with what to mind."""
    out = console()
    if found.step is not None:
        step = found.step
        line(f"next: {step.sentence}", out)
        if step.after:
            line(f"      {step.after}", out)
        line(f"      tells {step.bits:.2f} bits; about {step.minutes:.1f} min of work", out)
        line(f"note: {noting}", out)
        for other in found.others[:FEW]:
            line(f"  or: {instruction(board, other.test)} ({other.bits:.2f} bits, {other.minutes:.1f} min)", out)
    if found.verdict is not None:
        line(f"verdict: {found.verdict.sentence}", out)
    likely = ", ".join(f"{' + '.join(parts)} {percent(chance)}" for parts, chance in list(now.by_parts().items())[:FEW])
    line(f"odds: {likely}", out)
    for words in memory:
        line(words, out)
    if minded:
        cautions(minded, sources=False, out=out)


def memory_in_the_path(found: Mapping[str, tuple[float, float]], supply: Supply) -> list[str]:
    """What an injected current would do to a NAND that is itself the short, in a line for each."""
    gentle = f"--supply {supply.red},{supply.black},{supply.volts:g},{supply.amperes / 10:g}"
    return [
        f"mind: memory in the path: {part} itself may be the short ({percent(chance)}), and this current would then "
        f"warm it with about {quantity(watts, 'W')}. Begin with a tenth, noted by {gentle} in place of --inject; go "
        "higher only if that tells too little, for seconds."
        for part, (chance, watts) in found.items()
        if chance >= LIKELY and watts >= WARM_W
    ]


def cautions(found: Sequence[Caution], *, sources: bool, out: Console | None = None) -> None:
    """Cautions, one a paragraph."""
    out = out or console()
    for caution in found:
        source = f" [{caution.source}]" if sources else ""
        line(f"mind: {caution.subject}: {caution.text}{source}", out)
    line(DEFER, out)


def journal(found: Journal) -> None:
    """All lines, struck ones marked."""
    out = console()
    rows = Table(title=f"{found.path}, times in UTC", title_justify="left", show_lines=False)
    for heading in ("no.", "time", "what", "place", "value", "instrument", "note"):
        rows.add_column(heading, overflow="fold")
    for row in table(found.entries, found.struck):
        what = f"{row.what} (struck)" if row.struck else row.what
        cells = (str(row.number), row.time, what, row.place, row.value, row.instrument, row.note)
        rows.add_row(*(Text(cell) for cell in cells))
    out.print(rows)


def sight(found: Sight) -> None:
    """What the host saw."""
    out = console()
    line(found.pattern.value, out)
    pairs([("port", found.port or "none"), ("because", found.sentence)], out)


def route(choice: Choice, cases: int) -> None:
    """The routes beside each other, the best order, and what would change it."""
    out = console()
    line(f"begin with: {choice.first.value}", out)
    line(f"  {plan_words(choice.best)}", out)
    for outlook in choice.outlooks:
        _outlook(outlook, out)
    line("stop: nothing is lost but the data; say so early where the others promise little", out)
    for rival in choice.rivals[:3]:
        line(f"instead: {plan_words(rival)}", out)
    for change in choice.changes:
        line(f"change: {change}", out)
    word = "case" if cases == 1 else "cases"
    learned = f", after {cases} closed {word} of the lab" if cases else ""
    line(f"The figures are common practice, no source{learned}; `--write-figures FILE` gives them to edit.", out)


def _outlook(outlook: Outlook, out: Console) -> None:
    low, high = outlook.interval
    usual, least, most = outlook.hours
    line(f"{outlook.route.value}: {outlook.figures.summary}", out)
    rows = [
        ("odds", f"{percent(outlook.success)} (from {percent(low)} to {percent(high)}, as far as the figures go)"),
        ("hours", f"{usual:.1f} (from {least:.1f} to {most:.1f})"),
        ("destroys", "; ".join(outlook.figures.destroys)),
        ("must match", "; ".join(outlook.figures.must_match) or "nothing"),
        *(("mind", remark) for remark in outlook.remarks),
    ]
    pairs(rows, out)


def plan_words(plan: Plan) -> str:
    """A plan in a line."""
    if not plan.routes:
        return f"{Route.STOP.value}: no route promises more than it costs"
    order = ", then ".join(route.value for route in plan.routes)
    return f"{order}: {percent(plan.success)} in the end, {plan.hours:.0f} h expected"
