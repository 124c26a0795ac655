"""How well a reading fits what a row predicts."""

import numpy as np
from numpy.typing import NDArray

from deadstick.board.predict import BINARY, LIMITS, SCALES, Prediction
from deadstick.board.readings import Kind, Reading

Floats = NDArray[np.float64]

MISHAP = 2e-3  # chance that a reading is worth nothing: slipped probe, wrong pad, wrong line in the notebook
SCALE_RANGE = 20.0  # over which a worthless reading may lie
REROUTED = 0.01  # chance that a trace runs as no tree has it: then a drop is nothing, or anything
DROP_RANGE = 12.0


def log_density(reading: Reading, column: Prediction, together: int = 1) -> Floats:
    """Logarithm of the density of a reading on the scale of its kind; of its chance for yes and no.

    Args:
        reading: what was read.
        column: what the rows predict for this one test.
        together: how many readings lean on the same chips at rest; they count as one.

    Returns:
        float64[rows].
    """
    places, spreads = column.places[:, 0], column.spreads[:, 0]
    if reading.kind in BINARY:
        seen = places * (1 - reading.sigma) + (1 - places) * reading.sigma
        chance = np.where(reading.value > 0.5, seen, 1 - seen)
        return np.asarray(np.log(np.maximum(chance, MISHAP)))
    spreads = np.where(column.loose[:, 0], spreads * np.sqrt(together), spreads)
    scale = SCALES[reading.kind]
    value = min(reading.value, LIMITS.get(reading.kind, reading.value))
    spreads = np.hypot(spreads, reading.sigma / float(np.hypot(value, scale.floor)))
    density = _gauss(scale.of(value) - places, spreads)
    if reading.kind is Kind.DROP:
        elsewhere = 0.5 * _gauss(scale.of(value), spreads) + 0.5 / DROP_RANGE
        density = (1 - REROUTED) * density + REROUTED * elsewhere
    return np.asarray(np.log((1 - MISHAP) * density + MISHAP / SCALE_RANGE))


def _gauss(distance: Floats, spread: Floats) -> Floats:
    return np.asarray(np.exp(-0.5 * (distance / spread) ** 2) / (spread * np.sqrt(2 * np.pi)))
