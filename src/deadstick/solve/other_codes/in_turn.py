"""A register's output that runs over the codewords one after the other, from each message into its own parity.

By columns it would be off the first message only: what was added to the parity depends on where the message ends, and
not on where in the page the parity stands. Where it was added to the data alone, the parity is as read.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.recipe.scrambler import Restart, stream_positions
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.other_codes.roots import MESSAGES
from deadstick.solve.page_size.geometry import data_bytes_of
from deadstick.solve.register.register import Hits, Register

EVERYTHING, DATA = frozenset(Part), frozenset({Part.DATA})

Bytes = NDArray[np.uint8]


@dataclass(frozen=True, slots=True)
class InTurn:
    """A way to look at pages.

    Attributes:
        register: whose output is taken off.
        message: data bytes of a codeword. Pages tell in which the register shows inside the first: from there its state
            at the beginning of the page follows, wherever it goes on.
        covers: parts of a codeword to which the output is added.
    """

    register: Register
    message: int
    covers: frozenset[Part]

    @property
    def restarts(self) -> tuple[Restart, ...]:
        """What the first codeword leaves open. By columns all parts look like a register over whole pages."""
        return ("page", "codeword") if Part.PARITY in self.covers else ("page", "codeword", "column")


@dataclass(frozen=True, slots=True)
class Output:
    """Pages and what a register gave since each of them began.

    Attributes:
        pages: `uint8[rows, page_bytes]`, as read.
        stream: `uint8[rows, page_bytes]`, without the gaps that the register passes over.
        way: over what it runs.
        restart: where it starts anew.
    """

    pages: Bytes
    stream: Bytes
    way: InTurn
    restart: Restart = "page"

    @classmethod
    def of(cls, survey: Survey, way: InTurn, hits: Hits, most: int) -> "Output":
        """At most so many pages, of those in which the register shows inside the first message.

        Args:
            survey: pages of one size.
            way: see above.
            hits: places in the surveyed part where the register shows.
            most: pages.
        """
        early = survey.early_hits(way.register, hits, way.message, most)
        return cls(*survey.with_output(way.register, early, survey.page_bytes), way)

    def off(self, codewords: Sequence[Codeword]) -> Bytes:
        """`uint8[rows, page_bytes]`: the pages without the output over these codewords, in their turn."""
        layout = PageLayout(self.pages.shape[1], tuple(codewords))
        positions = stream_positions(layout, self.restart, self.way.covers)
        bare = self.pages.copy()
        bare[:, positions >= 0] ^= self.stream[:, positions[positions >= 0]]
        return bare

    @property
    def off_first_message(self) -> Bytes:
        """`uint8[rows, page_bytes]`: the same for the first message alone, whose parity is not known yet."""
        return self.off([Codeword((Span.of_bytes(Part.DATA, 0, self.way.message),), ())])

    @property
    def behind_first_message(self) -> Bytes | None:
        """`uint8[rows, bytes]`: what is added to the parity of the first codeword; None for nothing."""
        return self.stream[:, self.way.message :] if Part.PARITY in self.way.covers else None


def ways_in_turn(register: Register, page_bytes: int) -> Iterator[InTurn]:
    """Every length of message that fills the data of a page, with and without the parity."""
    data = data_bytes_of(page_bytes)
    for message in sorted({message for lengths in MESSAGES.values() for message in lengths if data % message == 0}):
        for covers in (EVERYTHING, DATA):
            yield InTurn(register, message, covers)
