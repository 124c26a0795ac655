"""`board thermal`: what got warm."""

from dataclasses import dataclass
from pathlib import Path

from PIL import Image, UnidentifiedImageError

from deadstick.board.cautions import Step, cautions_for
from deadstick.board.circuit import Circuit
from deadstick.board.observations import note_evidence
from deadstick.board.registration import Projection, read_points
from deadstick.board.thermal import ThermalPicture, compare
from deadstick.board.thermal_evidence import describe, thermal_evidence
from deadstick.board.thermal_files import read_frame
from deadstick.board.thermal_plot import draw
from deadstick.board.warming import expected_watts
from deadstick.cli import board_show
from deadstick.cli.board_bench import Bench, new_file, parse_supply
from deadstick.errors import HintError, InputError


@dataclass(frozen=True, slots=True)
class ThermalWords:
    """The words of the command."""

    before: Path
    powered: Path
    points: Path
    scale: float | None
    offset: float | None
    plot: Path | None
    photo: Path | None
    supply: str | None
    inject: str | None


def thermal(board: Path, journal: Path | None, given: ThermalWords, by: str) -> int:
    """Find the spots, draw them, note them."""
    if given.photo is not None and given.plot is None:
        raise HintError("--photo is shown under the drawing: give --plot too")
    bench = Bench.open(board, journal)
    circuit = bench.circuit
    supply = parse_supply(circuit, given.supply, given.inject)
    places = read_points(given.points, circuit)
    cold, warm = (read_frame(path, scale=given.scale, offset=given.offset) for path in (given.before, given.powered))
    picture = compare(cold, warm, places.thermal, (circuit.width_mm, circuit.height_mm))
    if given.plot is not None:
        _draw(picture, circuit, given.plot, given.photo, places.photo)
    board_show.line(describe(picture, circuit))
    residual = places.thermal.residual_mm
    fit = "four points, which always fit" if residual is None else f"the points fit to {residual:.2g} mm"
    board_show.line(f"background {picture.background_k:+.2g} K, noise {picture.noise_k:.2g} K a pixel; {fit}")
    if supply is None:
        board_show.line("not noted: give --supply or --inject, as what warmth means depends on what fed the board")
    else:
        diagnosis = bench.diagnosis()
        names = f"{given.before.name}, {given.powered.name}"
        evidence = thermal_evidence(picture, circuit, expected_watts(diagnosis, supply), supply, names)
        noted = Bench(circuit, note_evidence(bench.journal, evidence, by=by))
        board_show.after("noted as evidence", diagnosis.odds(), noted.diagnosis().odds())
    board_show.cautions(cautions_for([Step.THERMAL]), sources=False)
    return 0


def _draw(picture: ThermalPicture, circuit: Circuit, plot: Path, photo: Path | None, at: Projection | None) -> None:
    if photo is None:
        new_file(plot, draw(picture, circuit))
        return
    if at is None:
        raise HintError("--photo: the points have no places in the photo; give each its `photo = [column, row]`")
    try:
        with Image.open(photo) as opened:
            new_file(plot, draw(picture, circuit, opened.copy(), at))
    except (UnidentifiedImageError, Image.DecompressionBombError) as error:
        raise InputError(f"{photo}: no picture that can be read") from error
