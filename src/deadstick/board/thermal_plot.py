"""A picture of the warm board with its parts overlaid, drawn with Pillow."""

from io import BytesIO

import numpy as np
from numpy.typing import NDArray
from PIL import Image, ImageDraw, ImageFont
from scipy import ndimage

from deadstick.board.circuit import Circuit
from deadstick.board.registration import Projection
from deadstick.board.thermal import ThermalPicture
from deadstick.board.thermal_evidence import body

LONG_SIDE = 1100
"""Pixels of the longer side of the board."""
MARGIN = 24
SCALE_WIDTH = 96
_RAMP = np.array([(247, 245, 238), (243, 214, 150), (224, 142, 69), (178, 66, 44), (92, 20, 40)], float)
"""From no rise to the greatest one: light to dark, so that it prints and reads without colour too."""
_INK = (29, 35, 39)


def draw(
    picture: ThermalPicture, circuit: Circuit, photo: Image.Image | None = None, photo_at: Projection | None = None
) -> bytes:
    """Draw the rise over background in board coordinates, with outlines and names of parts and the spots found.

    Args:
        picture: what was found.
        circuit: the parts to overlay.
        photo: a photo of the board, shown in grey under the warmth.
        photo_at: its registration; without it the photo is not shown.

    Returns:
        A PNG file. Up on the picture is up on the board: y grows upwards.
    """
    per_mm = LONG_SIDE / max(circuit.width_mm, circuit.height_mm)
    width, height = round(circuit.width_mm * per_mm), round(circuit.height_mm * per_mm)
    places = _places(width, height, per_mm, circuit.height_mm)
    rise = _sampled(picture.rise_k, picture.projection, places)
    top = max(float(np.nanmax(rise, initial=0.0)), picture.faintest_k)
    warm = _colours(np.clip(np.nan_to_num(rise) / top, 0, 1))
    if photo is not None and photo_at is not None:
        grey = _sampled(np.asarray(photo.convert("L"), float), photo_at, places)
        warm *= (0.35 + 0.65 * np.nan_to_num(grey, nan=255.0) / 255)[..., None]
    sheet = Image.new("RGB", (width + 2 * MARGIN + SCALE_WIDTH, height + 2 * MARGIN), "white")
    sheet.paste(Image.fromarray(warm.round().astype(np.uint8)), (MARGIN, MARGIN))
    pen = ImageDraw.Draw(sheet)
    _parts(pen, circuit, per_mm)
    _spots(pen, picture, circuit, per_mm)
    _scale(pen, sheet, top)
    out = BytesIO()
    sheet.save(out, "PNG")
    return out.getvalue()


def _places(width: int, height: int, per_mm: float, height_mm: float) -> NDArray[np.float64]:
    """Board coordinates of the pixels of the drawing, float64[height, width, 2]."""
    xs, ys = (np.arange(width) + 0.5) / per_mm, height_mm - (np.arange(height) + 0.5) / per_mm
    return np.stack(np.meshgrid(xs, ys), axis=-1)


def _sampled(values: NDArray[np.float64], at: Projection, places: NDArray[np.float64]) -> NDArray[np.float64]:
    """A picture seen straight from above; NaN where it has no value."""
    pixels = at.to_picture(places)
    sampled = ndimage.map_coordinates(values, [pixels[..., 1], pixels[..., 0]], order=1, cval=np.nan)
    return np.asarray(sampled, np.float64)


def _colours(shares: NDArray[np.float64]) -> NDArray[np.float64]:
    """float64[..., 3], 0 to 255, of shares of the greatest rise."""
    steps = np.linspace(0, 1, len(_RAMP))
    return np.stack([np.interp(shares, steps, _RAMP[:, channel]) for channel in range(3)], axis=-1)


def _parts(pen: ImageDraw.ImageDraw, circuit: Circuit, per_mm: float) -> None:
    font = ImageFont.load_default(15)
    for part in circuit.parts:
        outline = body(part)
        left, right = MARGIN + outline.left * per_mm, MARGIN + outline.right * per_mm
        top, bottom = (MARGIN + (circuit.height_mm - y) * per_mm for y in (outline.top, outline.bottom))
        pen.rectangle((left, top, right, bottom), outline=_INK, width=1)
        pen.text(
            ((left + right) / 2, (top + bottom) / 2), part.name, fill=_INK, font=font, anchor="mm",
            stroke_width=2, stroke_fill="white",
        )  # fmt: skip


def _spots(pen: ImageDraw.ImageDraw, picture: ThermalPicture, circuit: Circuit, per_mm: float) -> None:
    font = ImageFont.load_default(17)
    for spot in picture.spots:
        x, y = MARGIN + spot.x_mm * per_mm, MARGIN + (circuit.height_mm - spot.y_mm) * per_mm
        radius = max(6.0, 2 * spot.sigma_mm * per_mm)
        pen.ellipse((x - radius, y - radius, x + radius, y + radius), outline=_INK, width=2)
        for dx, dy in ((1, 0), (-1, 0), (0, 1), (0, -1)):  # ticks outside, so that the part's name stays readable
            pen.line(
                (x + dx * radius, y + dy * radius, x + dx * (radius + 5), y + dy * (radius + 5)), fill=_INK, width=2
            )
        pen.text((x, y - radius - 8), f"{spot.rise_k:+.1f} K", fill=_INK, font=font, anchor="mb",
                 stroke_width=3, stroke_fill="white")  # fmt: skip


def _scale(pen: ImageDraw.ImageDraw, sheet: Image.Image, top_k: float) -> None:
    """The scale at the right: what a colour means in kelvin."""
    left, high, low = sheet.width - SCALE_WIDTH, MARGIN + 10, min(sheet.height - MARGIN - 10, MARGIN + 310)
    for row in range(high, low):
        share = (low - 1 - row) / (low - 1 - high)
        red, green, blue = _colours(np.array(share)).round().astype(int).tolist()
        pen.line((left, row, left + 18, row), fill=(red, green, blue))
    pen.rectangle((left, high, left + 18, low - 1), outline=_INK)
    font = ImageFont.load_default(15)
    for share in (0.0, 0.5, 1.0):
        y = low - 1 - share * (low - 1 - high)
        pen.text((left + 24, y), f"{share * top_k:.2g} K", fill=_INK, font=font, anchor="lm")
