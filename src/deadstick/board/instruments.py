"""Readings from bench instruments that speak SCPI over VISA: a multimeter, or a supply that measures its own output.

Only queries are sent: `*IDN?` (IEEE 488.2, 10.14), `MEASure...?` (SCPI-99 volume 2) and `SYSTem:ERRor?`. Nothing is
switched on, no limit is set and no output changed; what feeds the board stays in a person's hand. A `MEASure` query
does choose the function and range of a multimeter.

`pyvisa` is an optional extra: `pip install 'deadstick[instruments]'`.
"""

import math
import warnings
from collections.abc import Callable
from contextlib import suppress
from dataclasses import dataclass
from statistics import median
from types import TracebackType
from typing import Any, Protocol, Self

from deadstick.board.predict import JOINED_BELOW_OHM
from deadstick.board.readings import Kind
from deadstick.errors import InputError

QUERIES = {
    Kind.RESISTANCE: "MEAS:RES?",
    Kind.FOUR_WIRE: "MEAS:FRES?",
    Kind.VOLTAGE: "MEAS:VOLT:DC?",
    Kind.DROP: "MEAS:VOLT:DC?",
    Kind.CURRENT: "MEAS:CURR:DC?",
    Kind.DIODE: "MEAS:DIOD?",
    Kind.CONTINUITY: "MEAS:CONT?",
}
"""The last two are not in the standard, but many multimeters know them (common practice, no source)."""
UNITS = {
    Kind.RESISTANCE: "ohm",
    Kind.FOUR_WIRE: "ohm",
    Kind.CONTINUITY: "",
    Kind.DIODE: "V",
    Kind.VOLTAGE: "V",
    Kind.CURRENT: "A",
    Kind.DROP: "V",
    Kind.CLOCK: "",
    Kind.LIFTED: "",
}
INFINITY, NOT_A_NUMBER = 9.9e37, 9.91e37
"""What SCPI-99 (volume 1, 7.2.1.4 and 7.2.1.5; sections from memory) sends for an overload, and for no value."""
TIMEOUT_MS = 5000
LONGEST_ERROR = 200


class Channel(Protocol):
    """What of a VISA resource is used."""

    timeout: Any

    def query(self, message: str) -> str:
        """Send a query and give its answer."""

    def close(self) -> None:
        """Let the instrument go."""


@dataclass(frozen=True, slots=True)
class Measured:
    """One value.

    Attributes:
        value: median of the samples; infinite where the range was exceeded.
        spread: half of the range of the samples.
        samples: every one.
    """

    value: float
    spread: float
    samples: tuple[float, ...]


class Instrument:
    """An open instrument; use it as a context manager.

    Args:
        channel: an open VISA resource.
        name: for messages.
        release: called in the end, after the channel was closed.
    """

    def __init__(self, channel: Channel, name: str, release: Callable[[], None] = lambda: None) -> None:
        self._channel = channel
        self.name = name
        self._release = release

    @classmethod
    def open(cls, address: str, library: str = "") -> Self:
        """Open the instrument at a VISA address.

        Args:
            address: for instance `TCPIP0::10.0.0.7::INSTR`.
            library: the VISA library, as pyvisa names it; by default `@py`, the one in Python.

        Raises:
            InputError: pyvisa is missing, or nothing answers there.
        """
        try:
            # An optional extra, and slow to load.
            import pyvisa  # noqa: PLC0415
        except ImportError as error:
            raise InputError("reading instruments needs pyvisa: pip install 'deadstick[instruments]'") from error
        try:
            manager = pyvisa.ResourceManager(library or "@py")
        except Exception as error:
            raise InputError(f"the VISA library {library or '@py'} cannot be loaded: {_line(error)}") from error
        try:
            channel: Any = manager.open_resource(address)
            channel.timeout = TIMEOUT_MS
            channel.read_termination = channel.write_termination = "\n"
            _prove(channel)
        except (pyvisa.errors.Error, ValueError, OSError) as error:
            manager.close()
            raise InputError(f"{address}: no instrument could be opened there: {_line(error)}") from error
        return cls(channel, address, manager.close)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Let the instrument go."""
        # A cable that was pulled out fails here too; the reading that failed before has been told already.
        with suppress(OSError):
            self._channel.close()
        self._release()

    def identity(self) -> str:
        """Maker, model, serial number and firmware: the four fields of the answer to `*IDN?`.

        Raises:
            InputError: it does not answer, or not with four fields.
        """
        answer = self._query("*IDN?")
        if answer.count(",") < 3:
            raise InputError(f"{self.name}: no answer of IEEE 488.2 to *IDN?: {answer!r}")
        return ", ".join(part.strip() for part in answer.split(","))

    def measure(self, kind: Kind, samples: int = 3) -> Measured:
        """Take a reading.

        Args:
            kind: what to measure; not a clock or a part off the board, which no multimeter knows.
            samples: how many values; their median counts.

        Raises:
            InputError: it cannot measure that, does not answer, or its answer is no number.
        """
        if kind not in QUERIES:
            raise InputError(f"{kind.value} is not read from an instrument; give its value")
        values = [self._number(QUERIES[kind]) for _ in range(samples)]
        if kind is Kind.CONTINUITY:
            values = [float(value < JOINED_BELOW_OHM) for value in values]
        finite = [value for value in values if math.isfinite(value)]
        spread = (max(finite) - min(finite)) / 2 if finite else 0.0
        return Measured(median(values), spread, tuple(values))

    def _number(self, query: str) -> float:
        answer = self._query(query)
        try:
            value = float(answer)
        except ValueError as error:
            raise InputError(f"{self.name}: {self._why(query)}: {answer!r} is no number") from error
        if math.isnan(value) or math.isclose(abs(value), NOT_A_NUMBER, rel_tol=1e-4):
            raise InputError(f"{self.name}: it has no value for {query}")
        return math.copysign(math.inf, value) if abs(value) >= INFINITY * (1 - 1e-6) else value

    def _why(self, query: str) -> str:
        """The instrument's own error for a query that failed."""
        try:
            return f"{query} failed ({self._query('SYST:ERR?')})"
        except InputError:
            return f"{query} failed"

    def _query(self, message: str) -> str:
        import pyvisa  # noqa: PLC0415 - as above

        try:
            return self._channel.query(message).strip()
        except (pyvisa.errors.Error, OSError) as error:
            raise InputError(f"{self.name}: no answer to {message}: {_line(error)}") from error


def _prove(channel: Any) -> None:
    """Ask who is there: some libraries open what is not there, or what takes no queries."""
    if not hasattr(channel, "query"):
        raise ValueError("it takes no queries")
    with warnings.catch_warnings():
        # Of an answer without its end; an empty one is refused here, a half one later as no number.
        warnings.simplefilter("ignore", UserWarning)
        if not channel.query("*IDN?").strip():
            raise ValueError("it does not answer")


def _line(error: BaseException) -> str:
    """An error in one short line; some carry a whole traceback in their text."""
    text = " ".join(str(error).split())
    return text if 0 < len(text) <= LONGEST_ERROR else type(error).__name__
