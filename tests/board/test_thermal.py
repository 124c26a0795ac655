import io
import math
from pathlib import Path

import numpy as np
import pytest
import tifffile
from PIL import Image
from warm_boards import Heater, camera, photographed

from deadstick.board.readings import Evidence, Supply
from deadstick.board.templates import usb2_stick
from deadstick.board.thermal import compare, disc_rise
from deadstick.board.thermal_evidence import Body, body, parts_at, thermal_evidence
from deadstick.board.thermal_files import Frame, read_frame
from deadstick.board.thermal_plot import draw
from deadstick.errors import InputError

STICK = (17.0, 45.0)


# The model --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("radius", "spread"), [(0.5, 3.0), (2.0, 8.0), (0.5, 30.0), (3.0, 1.0)])
def test_the_disc_solves_the_fin_equation(radius: float, spread: float) -> None:
    # theta - L^2 (theta'' + theta' / r) is q / h inside the disc and nothing outside; derivatives taken numerically.
    r = np.linspace(0.05, 6 * radius, 4001)
    theta = disc_rise(r, radius, spread)
    slope = np.gradient(theta, r)
    source = theta - spread**2 * (np.gradient(slope, r) + slope / r)
    inside, outside = source[(r > 0.1) & (r < 0.97 * radius)], source[(r > 1.03 * radius) & (r < 5.8 * radius)]
    assert np.ptp(inside) < 2e-3 * inside.mean()
    assert np.abs(outside).max() < 2e-3 * inside.mean()


def test_the_disc_keeps_its_heat() -> None:
    # In the steady state the faces lose what the disc gives: the integral of theta is (q / h) times the area of the
    # disc.
    radius, spread = 1.0, 2.0
    r = np.linspace(0, 80, 400_001)
    theta = disc_rise(r, radius, spread)
    lost = np.trapezoid(theta * 2 * math.pi * r, r)
    near = theta[1:200]
    slope = np.gradient(near, r[1:200])
    made = (near - spread**2 * (np.gradient(slope, r[1:200]) + slope / r[1:200]))[20:-20].mean()
    assert lost == pytest.approx(made * math.pi * radius**2, rel=2e-3)


# Spots ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("spread_mm", [3.0, 8.0, 25.0])
def test_two_sources_that_melt_together_are_told_apart(spread_mm: float) -> None:
    heaters = [Heater(5, 20, 1.0), Heater(5, 23, 0.5)]
    before, powered, projection = photographed(heaters, STICK, spread_mm=spread_mm)
    spots = compare(before, powered, projection, STICK).spots
    assert len(spots) == 2
    for spot, heater in zip(spots, heaters, strict=True):
        assert math.hypot(spot.x_mm - heater.x, spot.y_mm - heater.y) < 0.25


def test_positions_err_as_much_as_they_say() -> None:
    rng = np.random.default_rng(5)
    pulls = []
    for seed in range(12):
        x, y, width, height = rng.uniform((2, 3, 0.5, 0.5), (15, 42, 3, 3)).tolist()
        heater = Heater(x, y, 1.0, width, height)
        before, powered, projection = photographed(
            [heater], STICK, spread_mm=float(rng.uniform(3, 20)), hottest_k=4.0, seed=seed
        )
        spot = min(compare(before, powered, projection, STICK).spots, key=lambda spot: abs(spot.x_mm - heater.x))
        pulls.append(math.hypot(spot.x_mm - heater.x, spot.y_mm - heater.y) / spot.sigma_mm)
    assert max(pulls) < 3.0


@pytest.mark.parametrize("boards", [8, pytest.param(60, marks=pytest.mark.campaign)])
def test_sources_of_every_size_and_warmth_are_found_where_they_are(boards: int) -> None:
    """The figures of docs/bench.md."""
    rng = np.random.default_rng(42)
    errors = []
    for seed in range(boards):
        x, y = rng.uniform((1.5, 2), (15.5, 43)).tolist()
        width, height = rng.uniform(0.5, 3.5, 2).tolist()
        spread_mm, hottest_k = float(rng.uniform(3, 20)), float(np.exp(rng.uniform(np.log(0.5), np.log(10))))
        before, powered, projection = photographed(
            [Heater(x, y, 1.0, width, height)], STICK, spread_mm=spread_mm, hottest_k=hottest_k, seed=seed
        )
        far = [math.hypot(s.x_mm - x, s.y_mm - y) for s in compare(before, powered, projection, STICK).spots]
        assert far, (seed, hottest_k)
        assert max(far) < 3
        errors.append(min(far))
    assert np.median(errors) < 0.2
    assert np.quantile(errors, 0.95) < 0.75


def test_a_board_that_only_drifted_shows_no_spot() -> None:
    for seed in range(6):
        before, powered, projection = photographed([], STICK, seed=seed)
        found = compare(before, powered, projection, STICK)
        assert found.spots == ()
        assert found.background_k == pytest.approx(0.8, abs=0.02)
        # Two pictures of 0.06 K each.
        assert found.noise_k == pytest.approx(0.06 * math.sqrt(2), rel=0.1)


def test_pictures_that_do_not_go_together_are_refused() -> None:
    before, powered, projection = photographed([], STICK)
    with pytest.raises(InputError, match="differ in size"):
        compare(before, Frame(powered.celsius[:-1], "cut"), projection, STICK)
    with pytest.raises(InputError, match="show the board"):
        compare(before, powered, projection, (0.5, 0.5))


def test_pictures_in_different_units_are_refused() -> None:
    before, powered, projection = photographed([], STICK)
    with pytest.raises(InputError, match=r"differs by 27[34] K"):
        compare(before, Frame(powered.celsius + 273.15, "kelvin"), projection, STICK)


def test_pixels_without_a_value_are_left_out() -> None:
    before, powered, projection = photographed([Heater(8, 20, 1)], STICK)
    holes = powered.celsius.copy()
    holes[::7, ::5] = np.nan
    spots = compare(before, Frame(holes, "holes"), projection, STICK).spots
    assert len(spots) == 1
    assert math.hypot(spots[0].x_mm - 8, spots[0].y_mm - 20) < 0.3


def test_a_flickering_pixel_is_no_spot() -> None:
    before, powered, projection = photographed([Heater(8, 30, 1)], STICK)
    row, column = projection.to_picture((4.0, 12.0)).round().astype(int)[::-1]
    flicker = powered.celsius.copy()
    flicker[row, column] += 40
    spots = compare(before, Frame(flicker, "flicker"), projection, STICK).spots
    assert [round(spot.y_mm) for spot in spots] == [30]


# Evidence ---------------------------------------------------------------------------------------------------


def test_the_density_of_a_body_adds_up_to_one() -> None:
    one = Body(2.0, 3.0, 5.0, 4.0)
    xs, ys = np.arange(-3, 11, 0.1), np.arange(-3, 11, 0.1)
    assert sum(one.density(x, y, 0.6) for x in xs for y in ys) * 0.01 == pytest.approx(1.0, abs=1e-3)


def picture_of(part: str, watts: float = 1.0) -> tuple[Evidence, dict[str, float]]:
    circuit = usb2_stick()
    one = body(circuit.part(part))
    heater = Heater((one.left + one.right) / 2, (one.bottom + one.top) / 2, watts)
    size = (circuit.width_mm, circuit.height_mm)
    before, powered, projection = photographed([heater] if watts else [], size, hottest_k=5.0)
    found = compare(before, powered, projection, size)
    heat = {"C7 short": {"C7": 0.5, "U3": 0.05}, "U1.VCC short": {"U1": 0.5, "U3": 0.05}, "J1.VBUS open": {}}
    near = parts_at(found.spots[0], circuit) if found.spots else {}
    return thermal_evidence(found, circuit, heat, Supply("C1.1", "J1.GND", 1.0, 1.0)), near


@pytest.mark.parametrize(("part", "guilty", "innocent"), [("C7", "C7 short", "U1.VCC short"),
                                                          ("U1", "U1.VCC short", "C7 short")])  # fmt: skip
def test_the_part_under_the_spot_gains(part: str, guilty: str, innocent: str) -> None:
    evidence, near = picture_of(part)
    assert evidence.log_likelihoods[guilty] > evidence.log_likelihoods[innocent] + math.log(3)
    assert evidence.log_likelihoods[guilty] > evidence.log_likelihoods["J1.VBUS open"] + math.log(3)
    assert next(iter(near)) == part
    assert f": {part} " in evidence.text


def test_a_cold_board_speaks_against_every_hot_fault() -> None:
    evidence, _ = picture_of("C7", 0.0)
    chances = evidence.log_likelihoods
    assert chances["J1.VBUS open"] > chances["C7 short"] + math.log(5)
    assert "no spot" in evidence.text


def test_one_picture_never_settles_the_case() -> None:
    for part in ("C7", "U1"):
        spread = picture_of(part)[0].log_likelihoods.values()
        assert max(spread) - min(spread) < math.log(1e6)


# Files ------------------------------------------------------------------------------------------------------

MATRIX = np.round(25 + np.arange(120).reshape(10, 12) / 7, 2)


def rows(separator: str, point: str = ".") -> str:
    return "\n".join(separator.join(f"{value:.2f}".replace(".", point) for value in row) for row in MATRIX)


@pytest.mark.parametrize(
    "text",
    [
        rows(","),
        rows(";", ","),
        rows("\t") + "\n\n",
        rows(" "),
        "emissivity;0,95\ndistance;0,3\n" + rows(";", ",").replace("\n", ";\n") + "\n",
        "\ufeff" + rows(","),
    ],
)
def test_csv_in_every_dress(tmp_path: Path, text: str) -> None:
    path = tmp_path / "view.csv"
    path.write_text(text, encoding="utf-8")
    np.testing.assert_array_equal(read_frame(path).celsius, MATRIX)


def test_tiff_of_floats_and_of_integers(tmp_path: Path) -> None:
    tifffile.imwrite(tmp_path / "float.tiff", MATRIX.astype(np.float32))
    np.testing.assert_allclose(read_frame(tmp_path / "float.tiff").celsius, MATRIX, atol=1e-5)
    kelvin = np.round((MATRIX + 273.15) * 100).astype(np.uint16)
    tifffile.imwrite(tmp_path / "count.tif", kelvin)
    np.testing.assert_allclose(
        read_frame(tmp_path / "count.tif", scale=0.01, offset=-273.15).celsius, MATRIX, atol=0.006
    )
    tifffile.imwrite(tmp_path / "frames.tif", np.stack([MATRIX - 1, MATRIX + 1]).astype(np.float32))
    np.testing.assert_allclose(read_frame(tmp_path / "frames.tif").celsius, MATRIX, atol=1e-5)


def test_a_tiff_of_another_program(tmp_path: Path) -> None:
    Image.fromarray(MATRIX.astype(np.float32)).save(tmp_path / "pillow.tif")
    np.testing.assert_allclose(read_frame(tmp_path / "pillow.tif").celsius, MATRIX, atol=1e-5)


def bad_files(folder: Path) -> dict[str, tuple[Path, str]]:
    tifffile.imwrite(folder / "count.tif", np.full((20, 20), 30000, np.uint16))
    tifffile.imwrite(folder / "colour.tif", np.zeros((20, 20, 3), np.uint8), photometric="rgb")
    tifffile.imwrite(folder / "hot.tif", np.full((20, 20), 30000, np.float32))
    tifffile.imwrite(folder / "empty.tif", np.full((20, 20), np.nan, np.float32))
    (folder / "words.csv").write_text("no numbers here\nnone at all\n")
    (folder / "tiny.csv").write_text("1,2\n3,4\n")
    (folder / "cut.tif").write_bytes((folder / "hot.tif").read_bytes()[:60])
    (folder / "noise.tif").write_bytes(bytes(range(200)))
    (folder / "view.jpg").write_bytes(b"")
    return {
        "integers without a unit": (folder / "count.tif", "--scale"),
        "a coloured picture": (folder / "colour.tif", "one channel"),
        "no temperatures": (folder / "hot.tif", "30000 degrees"),
        "no values": (folder / "empty.tif", "more than half"),
        "words": (folder / "words.csv", "no matrix"),
        "too small": (folder / "tiny.csv", "2 by 2 pixels"),
        "cut off": (folder / "cut.tif", "cut.tif"),
        "no TIFF": (folder / "noise.tif", "no readable TIFF"),
        "another format": (folder / "view.jpg", "read from .csv"),
        "missing": (folder / "gone.csv", "no such file"),
        "missing too": (folder / "gone.tif", "no such file"),
    }


@pytest.mark.parametrize("what", ["integers without a unit", "a coloured picture", "no temperatures", "no values",
                                  "words", "too small", "cut off", "no TIFF", "another format", "missing",
                                  "missing too"])  # fmt: skip
def test_unusable_pictures_are_refused_in_one_line(tmp_path: Path, what: str) -> None:
    path, words = bad_files(tmp_path)[what]
    with pytest.raises(InputError) as refusal:
        read_frame(path)
    assert path.name in str(refusal.value)
    assert words in str(refusal.value)


@pytest.mark.parametrize(
    ("scale", "offset", "words"), [(0, 0, "scale of 0"), (math.nan, 0, "scale"), (1, math.inf, "off")]
)
def test_a_scale_that_gives_no_degrees(tmp_path: Path, scale: float, offset: float, words: str) -> None:
    tifffile.imwrite(tmp_path / "count.tif", np.full((20, 20), 30000, np.uint16))
    with pytest.raises(InputError, match=words):
        read_frame(tmp_path / "count.tif", scale=scale, offset=offset)


# The drawing ------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("photo", [None, Image.new("L", (320, 240), 255)])
def test_the_drawing_is_dark_where_the_board_is_warm(photo: Image.Image | None) -> None:
    circuit = usb2_stick()
    size = (circuit.width_mm, circuit.height_mm)
    before, powered, projection = photographed([Heater(0.75 * size[0], 0.7 * size[1], 1)], size, spread_mm=2.0)
    png = draw(compare(before, powered, projection, size), circuit, photo, camera(size))
    drawing = np.asarray(Image.open(io.BytesIO(png)).convert("L"), float)
    per_mm = 1100 / size[0]

    def brightness(x: float, y: float) -> float:
        # The drawing has a margin of 24 pixels, and up is up.
        column, row = round(24 + x * per_mm), round(24 + (size[1] - y) * per_mm)
        return float(drawing[row - 8 : row + 9, column - 8 : column + 9].mean())

    assert brightness(0.75 * size[0], 0.7 * size[1]) < 120
    assert brightness(0.3 * size[0], 0.95 * size[1]) > 200
