"""What a lab knows about its routes: chances as counts, hours, what is destroyed.

Each success is a Beta distribution written as counts, "as if `good` of `of` cases"; closed cases add their own counts
(the Beta-binomial rule: Gelman et al., *Bayesian Data Analysis*, 3rd ed., 2.4). Hours are log-normal; the lab's own
hours move their median and width as if the shipped figure stood for `HOURS_WEIGHT` cases.
"""

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

from scipy.special import betaincinv

HOURS_WEIGHT = 5.0
_NORMAL_95 = 1.645


class Site(StrEnum):
    """Where the fault is, as far as it matters for the route; the later one counts where there are two."""

    CONNECTOR = "connector"
    SUPPLY = "supply"
    CLOCK = "clock"
    CONTROLLER = "controller"
    NAND = "nand"


class Route(StrEnum):
    """What can be done; to stop is always possible."""

    REPAIR = "repair"
    DONOR = "donor"
    RAW = "raw"
    STOP = "stop"


@dataclass(frozen=True, slots=True)
class Share:
    """A chance that is known as well as so many cases tell it.

    >>> share = Share(18, 20)
    >>> round(share.mean, 3), round(share.with_cases(1, 10).mean, 3)
    (0.9, 0.633)
    """

    good: float
    of: float

    @property
    def mean(self) -> float:
        """Expected value."""
        return self.good / self.of

    @property
    def variance(self) -> float:
        """Of the Beta distribution."""
        return self.mean * (1 - self.mean) / (self.of + 1)

    def with_cases(self, good: int, of: int) -> "Share":
        """The same after more cases."""
        return Share(self.good + good, self.of + of)

    def interval(self) -> tuple[float, float]:
        """From the 5th to the 95th percentile of the Beta distribution with these counts.

        >>> [round(end, 2) for end in Share(18, 20).interval()]
        [0.77, 0.98]
        """
        a, b = self.good, self.of - self.good
        if a <= 0 or b <= 0:
            return self.mean, self.mean
        return float(betaincinv(a, b, 0.05)), float(betaincinv(a, b, 0.95))


@dataclass(frozen=True, slots=True)
class Hours:
    """A log-normal: median, and the standard deviation of the logarithm."""

    median: float
    width: float

    @classmethod
    def between(cls, low: float, usual: float, high: float) -> "Hours":
        """From the 5th percentile, the median and the 95th."""
        return cls(usual, math.log(high / low) / (2 * _NORMAL_95))

    @property
    def mean(self) -> float:
        """Expected value."""
        return self.median * math.exp(self.width**2 / 2)

    def interval(self) -> tuple[float, float]:
        """From the 5th to the 95th percentile."""
        factor = math.exp(_NORMAL_95 * self.width)
        return self.median / factor, self.median * factor

    def with_cases(self, hours: Sequence[float]) -> "Hours":
        """The same after the hours of closed cases."""
        if not hours:
            return self
        logs = [math.log(hour) for hour in hours]
        count = HOURS_WEIGHT + len(logs)
        middle = (HOURS_WEIGHT * math.log(self.median) + sum(logs)) / count
        square = HOURS_WEIGHT * (self.width**2 + (math.log(self.median) - middle) ** 2)
        square += sum((one - middle) ** 2 for one in logs)
        return Hours(math.exp(middle), math.sqrt(square / count))


@dataclass(frozen=True, slots=True)
class RouteFigures:
    """What the lab knows about a route.

    Attributes:
        summary: what it is.
        hours: of work.
        destroys: what is gone afterwards.
        must_match: what must fit.
        success: by where the fault is, on a controller that does not encrypt.
        if_encrypted: what is left of the success where it does.
        leaves: what is left to other routes after this one failed; a route that is missing is closed.
    """

    summary: str
    hours: Hours
    destroys: tuple[str, ...]
    must_match: tuple[str, ...]
    success: Mapping[Site, Share]
    if_encrypted: Share
    leaves: Mapping[Route, float]


@dataclass(frozen=True, slots=True)
class Figures:
    """The lab's figures.

    Attributes:
        routes: for each route but `STOP`.
        encrypts: how often a controller encrypts.
        donor_found: how often a donor is found.
        cases: closed cases that have gone into them.
    """

    routes: Mapping[Route, RouteFigures]
    encrypts: Share
    donor_found: Share
    cases: int = 0
