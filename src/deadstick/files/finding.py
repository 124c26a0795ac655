"""What a content check says."""

from dataclasses import dataclass
from enum import StrEnum


class Verdict(StrEnum):
    """How the content stands to its format."""

    VALID = "valid"
    CONTRADICTS = "contradicts"
    UNKNOWN = "unknown"


@dataclass(frozen=True)
class ContentCheck:
    """The format found, the verdict, and one line that says on what it rests."""

    kind: str
    verdict: Verdict
    detail: str
    failed: bool = False
    """The check itself came to no end: the worker crashed or took too long."""


def first_line(error: BaseException) -> str:
    """The first line of an error's text, cut, or its name where it has none."""
    lines = str(error).splitlines()
    return lines[0][:200] if lines and lines[0] else type(error).__name__
