"""How long work tells how far it is: one call, which the command line shows as a bar or as plain lines."""

from typing import Protocol


class Progress(Protocol):
    """Receives `progress("rebuild", 12, 2048)`; called often, so it must be cheap."""

    def __call__(self, stage: str, done: int, total: int) -> None:
        """Report that `done` of `total` units of `stage` are finished."""


def silent(stage: str, done: int, total: int) -> None:
    """Tell nobody."""
