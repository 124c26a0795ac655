"""A board on the bench: its odds after everything in its journal, and which parts are off it right now."""

from collections.abc import Sequence
from dataclasses import replace

from deadstick.board.circuit import Circuit
from deadstick.board.journal import Journal
from deadstick.board.observations import observations, removed
from deadstick.board.odds import Diagnosis
from deadstick.board.readings import Evidence, Kind, Observation, Reading
from deadstick.errors import InputError


def _latest(found: Sequence[Observation]) -> list[Observation]:
    """All readings, and of each source of other evidence the last: a second look at a board is no second witness."""
    last = {observation.source: place for place, observation in enumerate(found) if isinstance(observation, Evidence)}
    return [
        observation
        for place, observation in enumerate(found)
        if not isinstance(observation, Evidence) or last[observation.source] == place
    ]


class BenchDiagnosis(Diagnosis):
    """A diagnosis that follows a journal: a part that was put on again is on the board again.

    Args:
        circuit: the nominal board.
        journal: of its bench.

    Raises:
        InputError: a line of the journal is about something that this board does not have.
    """

    def __init__(self, circuit: Circuit, journal: Journal) -> None:
        self._off = removed(journal)
        super().__init__(circuit)
        for observation in _latest(observations(journal)):
            try:
                super().add(self._of_this_board(observation))
            except InputError as error:
                raise InputError(f"{journal.path}: {error}") from error
        for part in self._off:
            circuit.part(part)

    def _of_this_board(self, observation: Observation) -> Observation:
        """Evidence without the faults of parts that were since taken out of the circuit file."""
        if isinstance(observation, Reading):
            return observation
        known = {fault.key for fault in self.hypotheses.faults}
        kept = {key: value for key, value in observation.log_likelihoods.items() if key in known}
        return replace(observation, log_likelihoods=kept)

    @property
    def removed(self) -> frozenset[str]:
        """Parts that are off the board."""
        return self._off

    def add(self, observation: Observation) -> None:
        """Take a new reading or other evidence into account; what it says is off the board is off."""
        super().add(observation)
        if isinstance(observation, Reading):
            lifted = frozenset(observation.place) if observation.kind is Kind.LIFTED else frozenset()
            self._off = observation.removed | lifted
