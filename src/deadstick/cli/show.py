"""What the commands print on standard output."""

from collections.abc import Sequence
from pathlib import Path

from rich.console import Console
from rich.table import Table
from rich.text import Text

from deadstick.case.glance import Glance, entropy_rows
from deadstick.case.outcome import count_line
from deadstick.case.report import readable_size
from deadstick.case.result import Result
from deadstick.cli.console import console, pairs
from deadstick.cli.demo import Comparison
from deadstick.recipe import toml
from deadstick.recipe.recipe import Recipe
from deadstick.solve.common.evidence import Finding, Solution


def note(name: str, line: str) -> None:
    """One more line below what a command has printed."""
    pairs([(name, line)], console())


def warning(line: str) -> None:
    """Something that went wrong beside the work; on standard error."""
    Console(stderr=True, highlight=False).print(Text(f"deadstick: {line}"), soft_wrap=True)


def summary(result: Result, case_dir: Path) -> None:
    """The end of `recover`."""
    out = console()
    out.print(Text(f"{result.status}: {result.reason}"), soft_wrap=True)
    rows = [("dump", f"{dump.path} ({readable_size(dump.bytes)})") for dump in result.dumps]
    if result.recipe:
        rows += list(toml.from_dict(result.recipe).describe().items())
    if result.disk:
        disk = result.disk
        states = f"{disk.sectors_exact:,} exact, {disk.sectors_doubtful:,} doubtful, {disk.sectors_lost:,} lost"
        rows.append(("disk", f"{disk.sectors:,} sectors: {states}, {disk.sectors_unwritten:,} not stored on the chip"))
        rows.append(("files", f"{count_line(result.files)}; {len(result.deleted)} deleted found"))
    rows.append(("time", f"{result.seconds.total:.1f} s, of which solving {result.seconds.solve:.1f} s"))
    rows.append(("memory", readable_size(result.peak_memory_bytes)))
    rows.append(("report", str(case_dir / "report.html")))
    pairs(rows, out)


def comparison(compared: Comparison, dump: Path) -> None:
    """The end of `demo`: what came out beside what lay on the stick."""
    out = console()
    out.print("compared with what the simulation had put on the stick:")
    lines = [
        ("live", f"{compared.same} of {compared.live} files byte-exact"),
        ("deleted", f"{compared.deleted_same} of {compared.deleted} deleted files found byte-exact"),
    ]
    if compared.wrongly_exact:
        lines.append(("WRONG", f"called exact, but not what lay there: {', '.join(compared.wrongly_exact)}"))
    pairs([*lines, ("dump", str(dump))], out)


def solution(found: Solution, *, explain: bool) -> None:
    """The end of `solve`."""
    out = console()
    out.print(Text(f"{found.outcome}: {found.reason}"), soft_wrap=True)
    if found.recipe:
        recipe_lines(found.recipe, out)
    if explain:
        evidence(found.findings, out)


def notices(noticed: Sequence[Finding]) -> None:
    """What was noticed about reads and contacts."""
    out = console()
    for finding in noticed:
        out.print(Text(f"  {finding.question}: {finding.answer} ({finding.figure})"), soft_wrap=True)


def recipe_lines(recipe: Recipe, out: Console) -> None:
    """A recipe in words."""
    pairs(recipe.describe().items(), out)


def evidence(findings: Sequence[Finding], out: Console) -> None:
    """Every question with its answer, figure and chance; beneath each what else was looked at, with the same."""
    table = Table(title="Evidence", title_justify="left")
    for heading in ("question", "answer", "figure, and what it means", "chance of an accident"):
        table.add_column(heading, overflow="fold")
    for finding in findings:
        figure = finding.figure + (f"\n{finding.meaning}" if finding.meaning else "")
        cells = (finding.question, finding.answer, figure, finding.chance)
        table.add_row(*(Text(cell) for cell in cells), end_section=not finding.rivals)
        for place, rival in enumerate(finding.rivals, 1):
            row = ("", f"not: {rival.answer}", rival.figure, rival.chance)
            table.add_row(*(Text(cell, style="dim") for cell in row), end_section=place == len(finding.rivals))
    out.print(table)


def first_figures(look: Glance) -> None:
    """The output of `inspect`."""
    out = console()
    figures = look.figures
    source = "given" if look.is_given else "suggested by the dump" if look.candidates else "assumed; nothing stands out"
    out.print(Text(str(look.path)), soft_wrap=True)
    pairs(
        [
            ("size", f"{look.size:,} bytes ({readable_size(look.size)})"),
            *(("sha-256", sha256) for sha256 in look.sha256),
            (
                "page",
                f"{look.page_bytes:,} bytes, {source}; {figures.pages_total:,} pages, {look.leftover:,} bytes left",
            ),
            ("sampled", f"{figures.pages_sampled:,} pages, of which {figures.erased_share:.1%} erased"),
            ("bytes", f"{figures.share_ones:.2%} are 0xFF, {figures.share_zero:.2%} are 0x00"),
            ("entropy", f"{figures.entropy:.3f} bits per byte"),
        ],
        out,
    )
    if look.candidates:
        out.print("\nPage sizes that the dump suggests, strongest first (none is proven yet)")
        for candidate in look.candidates[:8]:
            out.print(Text(f"  {candidate.page_bytes:>7,} bytes  {candidate.witness}"), soft_wrap=True)
    out.print("\nEntropy by column over the programmed pages (full height: 8 bits per byte)")
    for first, line in entropy_rows(figures):
        out.print(Text(f"  {first:>7,}  {line}"), soft_wrap=True)
