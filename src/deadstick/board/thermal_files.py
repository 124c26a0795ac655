"""Reading radiometric pictures: a matrix of temperatures as CSV, or a 16- or 32-bit TIFF."""

import logging
import math
import re
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from deadstick.errors import InputError

MOST_PIXELS = 1 << 24
_COLDEST, _HOTTEST = -80.0, 1200.0
"""Degrees Celsius; whatever lies outside was not read in the right unit."""
_NUMBER = re.compile(r"[+-]?(\d+([.,]\d*)?|[.,]\d+)([eE][+-]?\d+)?")


@dataclass(frozen=True, slots=True)
class Frame:
    """A thermal picture.

    Attributes:
        celsius: float64[rows, columns]; NaN where the camera gave no value.
        source: name of the file, for messages.
    """

    celsius: NDArray[np.float64]
    source: str


def read_frame(path: Path, *, scale: float | None = None, offset: float | None = None) -> Frame:
    """Read a radiometric picture.

    CSV: lines of numbers in degrees Celsius between commas, semicolons, tabs or blanks; with a decimal comma where the
    separator is none. Lines before and after the matrix that hold other things are skipped. TIFF: one channel of 16-
    or 32-bit integers, or floats; several pages are frames of one scene, and their mean is taken.

    Args:
        path: ends in .csv, .txt, .tsv, .tif or .tiff.
        scale: degrees Celsius per stored step. Needed for integers, whose meaning is not in the file.
        offset: degrees Celsius of a stored zero.

    Raises:
        InputError: the file cannot be read, holds no such picture, or its values are no temperatures.
    """
    if scale is not None and not (math.isfinite(scale) and scale > 0):
        raise InputError(f"a scale of {scale:g} turns nothing into degrees; it must be above 0")
    if offset is not None and not math.isfinite(offset):
        raise InputError(f"an offset of {offset:g} turns nothing into degrees")
    suffix = path.suffix.lower()
    if suffix in {".tif", ".tiff"}:
        stored = _read_tiff(path)
    elif suffix in {".csv", ".txt", ".tsv"}:
        stored = _read_csv(path)
    else:
        raise InputError(f"{path}: a thermal picture is read from .csv, .txt, .tsv, .tif or .tiff")
    if stored.dtype.kind in "iu" and scale is None:
        raise InputError(f"{path}: {stored.dtype} values have no unit of their own; give --scale and --offset "
                         "(for hundredths of a kelvin 0.01 and -273.15)")  # fmt: skip
    return Frame(
        _checked(path, _frames_mean(stored.astype(np.float64)) * (1.0 if scale is None else scale) + (offset or 0.0)),
        path.name,
    )


def _read_tiff(path: Path) -> NDArray[np.generic]:
    # Only this format needs it.
    import tifffile  # noqa: PLC0415

    # It tells of broken files in the log too; one line is enough.
    logging.getLogger("tifffile").setLevel(logging.CRITICAL + 1)
    try:
        with tifffile.TiffFile(path) as tiff:
            _check_pages(path, [(page.shape, page.dtype) for page in tiff.pages])
            return np.asarray(tiff.asarray(key=slice(None)))
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except InputError:
        raise
    except Exception as error:  # a decoder meets broken files with errors of every kind
        text = " ".join(str(error).split())[:200] or type(error).__name__
        raise InputError(f"{path}: no readable TIFF: {text}") from error


def _check_pages(path: Path, pages: list[tuple[tuple[int, ...], np.dtype[np.generic] | None]]) -> None:
    shape, dtype = pages[0]
    if len(shape) != 2 or dtype is None or dtype.kind not in "iuf" or dtype.itemsize < 2:
        raise InputError(f"{path}: a picture of {dtype} and shape {shape}; one channel of 16- or 32-bit values is "
                         "needed, no coloured picture")  # fmt: skip
    if shape[0] * shape[1] * len(pages) > MOST_PIXELS:
        raise InputError(f"{path}: more than {MOST_PIXELS:,} pixels; this is no thermal picture")
    if any(other != (shape, dtype) for other in pages):
        raise InputError(f"{path}: its pages differ in size or kind; keep the pages of one scene")


def _frames_mean(values: NDArray[np.float64]) -> NDArray[np.float64]:
    if values.ndim == 2:
        return values
    with warnings.catch_warnings():
        # A pixel that no frame has stays NaN; NumPy would warn of it.
        warnings.simplefilter("ignore", RuntimeWarning)
        mean: NDArray[np.float64] = np.nanmean(values, axis=0)
    return mean


def _read_csv(path: Path) -> NDArray[np.float64]:
    try:
        text = path.read_text(encoding="utf-8-sig", errors="replace")
    except FileNotFoundError as error:
        raise InputError(f"{path}: no such file") from error
    except OSError as error:
        raise InputError(f"{path}: cannot be read: {error.strerror}") from error
    rows = _longest_run([_numbers(line) for line in text.splitlines()])
    if len(rows) < 2 or len(rows[0]) < 2:
        raise InputError(f"{path}: no matrix of numbers was found in it; a line for each row of the picture is needed")
    return np.array(rows)


def _numbers(line: str) -> list[float] | None:
    """The numbers of a line; None for a line that holds anything else."""
    separator = next((sign for sign in (";", "\t") if sign in line), None)
    if separator is None:
        separator = "," if "," in line else None
    cells = [cell.strip() for cell in line.strip().split(separator)]
    if separator and cells and not cells[-1]:
        cells.pop()
    if not cells:
        return None
    values = []
    for cell in cells:
        if cell.lower() == "nan":
            values.append(float("nan"))
        elif _NUMBER.fullmatch(cell):
            values.append(float(cell.replace(",", ".")))
        else:
            return None
    return values


def _longest_run(lines: list[list[float] | None]) -> list[list[float]]:
    """The longest run of lines that hold equally many numbers."""
    best: list[list[float]] = []
    run: list[list[float]] = []
    for line in [*lines, None]:
        if run and (line is None or len(line) != len(run[0])):
            best = max(best, run, key=lambda rows: len(rows) * len(rows[0]) if rows else 0)
            run = []
        if line is not None:
            run.append(line)
    return best


def _checked(path: Path, celsius: NDArray[np.float64]) -> NDArray[np.float64]:
    celsius = np.where(np.isfinite(celsius), celsius, np.nan)
    if min(celsius.shape) < 8:
        raise InputError(f"{path}: only {celsius.shape[1]} by {celsius.shape[0]} pixels; at least 8 by 8 are needed")
    if np.isnan(celsius).mean() > 0.5:
        raise InputError(f"{path}: more than half of the pixels have no value")
    low, high = np.nanmin(celsius), np.nanmax(celsius)
    if low < _COLDEST or high > _HOTTEST:
        raise InputError(f"{path}: from {low:.6g} to {high:.6g} degrees Celsius, which no board is; "
                         "check --scale and --offset")  # fmt: skip
    return celsius
