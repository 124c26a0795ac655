"""From the lines of a journal to the observations that the odds take, and back."""

import math
from collections.abc import Sequence
from datetime import datetime
from typing import Any

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from deadstick.board.journal import Entry, Journal
from deadstick.board.readings import Evidence, Kind, Observation, Reading, Supply
from deadstick.errors import InputError

LIFTED, FITTED = "part lifted", "part fitted"
"""The steps that change which parts are on the board."""
BEYOND_RANGE = "beyond the range"


class _Supply(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    red: str
    black: str
    volts: float
    amperes: float


class _ReadingDetails(BaseModel):
    """What stands in `details` of a reading."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    sigma: float = Field(ge=0)
    beyond_range: bool = False
    supply: _Supply | None = None
    removed: tuple[str, ...] = ()


class _EvidenceDetails(BaseModel):
    """What stands in `details` of evidence."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    log_likelihoods: dict[str, float]
    otherwise: float = 0.0


def note_reading(journal: Journal, reading: Reading, *, by: str = "") -> Journal:
    """Write a reading into the journal.

    Args:
        journal: to write into.
        reading: an infinite value is noted as beyond the range, since JSON knows no infinity.
        by: who took it.
    """
    supply = reading.supply
    details = _ReadingDetails(
        sigma=reading.sigma,
        beyond_range=math.isinf(reading.value),
        supply=_Supply(red=supply.red, black=supply.black, volts=supply.volts, amperes=supply.amperes)
        if supply
        else None,
        removed=tuple(sorted(reading.removed)),
    )
    return journal.add(
        reading.kind.value,
        utc=reading.time,
        place=reading.place,
        value=None if math.isinf(reading.value) else reading.value,
        unit=reading.unit,
        instrument=reading.instrument,
        by=by,
        note="; ".join(part for part in (reading.note, _conditions(reading)) if part),
        details=details.model_dump(mode="json", exclude_defaults=True),
    )


def note_evidence(journal: Journal, evidence: Evidence, *, by: str = "") -> Journal:
    """Write other evidence into the journal."""
    details = _EvidenceDetails(log_likelihoods=dict(evidence.log_likelihoods), otherwise=evidence.otherwise)
    what = evidence.source or "evidence"
    return journal.add(
        what, utc=evidence.time, kind="evidence", by=by, note=evidence.text, details=details.model_dump(mode="json")
    )


def note_step(journal: Journal, what: str, parts: Sequence[str], *, by: str = "", note: str = "") -> Journal:
    """Write a step such as `LIFTED` into the journal.

    Raises:
        InputError: a part is lifted that is off the board already, or fitted that is on it.
    """
    off = removed(journal)
    for part in parts:
        if what == LIFTED and part in off:
            raise InputError(f"{part} is off the board already")
        if what == FITTED and part not in off:
            raise InputError(f"{part} is on the board; only a part that was lifted can be fitted")
    return journal.add(what, kind="step", place=tuple(parts), by=by, note=note)


def removed(journal: Journal) -> frozenset[str]:
    """The parts that are off the board after the last line."""
    off: set[str] = set()
    for entry in journal.standing:
        if entry.kind == "step" and entry.what == LIFTED:
            off |= set(entry.place)
        elif entry.kind == "step" and entry.what == FITTED:
            off -= set(entry.place)
    return frozenset(off)


def observations(journal: Journal) -> tuple[Observation, ...]:
    """Everything in the journal that the odds can take, oldest first; struck lines are left out.

    Raises:
        InputError: the details of a line do not fit its kind.
    """
    found: list[Observation] = []
    for entry in journal.standing:
        try:
            if entry.kind == "reading":
                found.append(_reading(entry))
            elif entry.kind == "evidence":
                found.append(_evidence(entry))
        except (ValidationError, ValueError) as error:
            what = error.errors()[0]["msg"] if isinstance(error, ValidationError) else str(error)
            raise InputError(f"{journal.path}: line {entry.number}: {what}") from error
    return tuple(found)


def _reading(entry: Entry) -> Reading:
    details = _ReadingDetails.model_validate(entry.details)
    if entry.value is None and not details.beyond_range:
        raise ValueError("a reading without a value that is not marked as beyond the range")
    common: dict[str, Any] = {
        "supply": Supply(**details.supply.model_dump()) if details.supply else None,
        "removed": frozenset(details.removed),
        "instrument": entry.instrument,
        "note": entry.note,
        "time": datetime.fromisoformat(entry.utc),
    }
    value = math.inf if entry.value is None else entry.value
    return Reading(Kind(entry.what), entry.place, value, entry.unit, details.sigma, **common)


def _evidence(entry: Entry) -> Evidence:
    details = _EvidenceDetails.model_validate(entry.details)
    time = datetime.fromisoformat(entry.utc)
    return Evidence(entry.note, details.log_likelihoods, details.otherwise, entry.what, time)


def _conditions(reading: Reading) -> str:
    parts = [BEYOND_RANGE] if math.isinf(reading.value) else []
    if reading.supply:
        supply = reading.supply
        parts.append(f"supply {supply.volts:g} V, at most {supply.amperes:g} A, on {supply.red} and {supply.black}")
    if reading.removed:
        parts.append(f"off the board: {', '.join(sorted(reading.removed))}")
    return "; ".join(parts)
