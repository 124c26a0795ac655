r"""Decode words beyond the reach of the code, with the help of how reliable each bit is.

**Trials.** A decoder that corrects t errors is asked again and again, each time about another word, made from the one
that was read by changing some of its least reliable bits. The codewords that come out are the candidates; the
likeliest is taken. That is D. Chase, "A class of algorithms for decoding block codes with channel measurement
information", IEEE Trans. Inf. Theory 18 (1972) 170-182: algorithm 2 changes every combination of the least reliable
bits. Two votes that stand against each other leave a bit without any preference, an *erasure*. With e erasures the
word decodes for sure in one of two trials, all of them 0 and all of them 1, if e <= 2 t and no other bit is wrong, as
one of the two is wrong in e / 2 bits at most (Lin and Costello, Error Control Coding, section on errors and erasures
of binary codes). With more, a fill at random is wrong in about e / 2 bits, and now and then in t or fewer: so many
fills are tried. (Random trials of that kind are known as stochastic Chase decoding; C. Leroux and others, 2010, from
memory.)

**Penalty.** The log-likelihood of a codeword is that of the word, less the reliabilities of all bits in which the two
differ. This sum is the codeword's penalty.

**The chance of an accident.** A wrong codeword lies where it lies whatever was read. Of all 2^n words 2^-r are
codewords (r parity bits), so among the M error patterns with a penalty of at most L there are M 2^-r wrong codewords
to be expected, the same model as in `rebuild.certainty`. M is bounded by its generating function, for every s >= 0:

    M(L) <= e^(s L) product over all bits of (1 + e^(-s reliability)),

as each pattern with penalty <= L adds at least e^(-s L) to the product when that is multiplied out. The least bound
over some s is taken. It holds for every codeword that could have been found, so it does not matter how many trials
were made. For a BCH code the trials give a second bound, their number times the chance that the decoding of a far word
succeeds; the smaller one is reported. The reliabilities need not be right for that: they are a score, nothing more,
and a poor score only finds less.

**Refusals.** A candidate is refused if its chance of being an accident exceeds `MOST_CHANCE`, or if another candidate
is less than `LEAST_GAP` behind.
"""

from dataclasses import dataclass
from math import comb, log, log2
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.bch import BchCode, Decoded
from deadstick.codes.kernels import chase as kernels

Bytes = NDArray[np.uint8]

MOST_CHANCE = 1e-3
"""Greatest chance of an accident of a codeword that is handed out at all."""
LEAST_GAP = 7.0
"""Nats between the best candidate and the next: odds of about 1000."""
SURE = -60.0
"""Binary logarithm of a chance with which no further trial is made."""
_AT_ONCE = 4096
_NONE = np.iinfo(np.int64).max
_SLOPES = np.geomspace(1e-4, 10.0, 120)


class Decoder(Protocol):
    """A code whose words are one in 2^parity_bits of all, such as a BCH or a Reed-Solomon code."""

    @property
    def parity_bits(self) -> int:
        """Bits of parity in a word."""

    def decode(self, words: Bytes, message_bytes: int) -> Decoded:
        """Corrected words, and a count below 0 for each that could not be corrected."""


@dataclass(frozen=True)
class SoftDecoded:
    """Result of `decode`.

    Attributes:
        words: `uint8[words, bytes]`, corrected; rows that could not be decoded are as given.
        distance: `int32[words]`, bits in which a row was changed; -1 where no codeword is clearly the nearest.
        log10_chance: `float64[words]`, decimal logarithm of the chance that an accident gave it; 0 where none was
            taken.
        trials: `int64[words]`, decodings that were made.
    """

    words: Bytes
    distance: NDArray[np.int32]
    log10_chance: NDArray[np.float64]
    trials: NDArray[np.int64]


def decode(
    code: Decoder,
    words: Bytes,
    reliability: NDArray[np.int16],
    message_bytes: int,
    *,
    unit: float = 1.0,
    starts: Bytes | None = None,
    names: NDArray[np.uint64] | None = None,
    trials: int = 256,
) -> SoftDecoded:
    """Decode words by trials.

    Args:
        code: the code.
        words: `uint8[words, message_bytes + parity_bytes]`, the likeliest value of every bit.
        reliability: `int16[words, bits]`, its log-likelihood ratio, 0 for a tie; `bits` is at least
            `8 * message_bytes + parity_bits`, further ones do not count.
        message_bytes: bytes before the parity.
        unit: of `reliability`, in nats.
        starts: `uint8[starts, words, bytes]`, other words to decode first, such as what each read says.
        names: `uint64[words]`, numbers that make the random trials of a word its own; the row numbers if None.
        trials: most trials of a word.

    Returns:
        A codeword for each word, where one is clearly the nearest.

    Raises:
        ValueError: shapes do not fit.

    >>> code = BchCode(m=13, primitive_polynomial=0x201B, t=8)
    >>> message = np.arange(512, dtype=np.uint8)[None]
    >>> sent = np.hstack([message, code.encode(message)])
    >>> word, reliability = sent.copy(), np.full((1, 8 * sent.shape[1]), 100, np.int16)
    >>> for bit in range(0, 100, 10):                    # ten errors where eight can be corrected,
    ...     word[0, bit // 8] ^= 128 >> bit % 8
    >>> reliability[0, 0:60:20] = 3                      # and three of them on bits that are known to be weak
    >>> int(code.decode(word, 512).errors[0])
    -1
    >>> decoded = decode(code, word, reliability, 512)
    >>> int(decoded.distance[0]), bool((decoded.words == sent).all()), bool(decoded.log10_chance[0] < -2)
    (10, True, True)
    """
    words = np.ascontiguousarray(words)
    bits = 8 * message_bytes + code.parity_bits
    if reliability.ndim != 2 or len(reliability) != len(words) or reliability.shape[1] < bits:
        raise ValueError(f"reliability must have the shape [{len(words)}, at least {bits}], not {reliability.shape}")
    search = _Search(code, message_bytes, words, np.ascontiguousarray(reliability[:, :bits]), names, unit)
    if starts is not None and len(words):
        search.try_words(np.ascontiguousarray(starts), np.arange(len(words)))
    search.run(trials)
    return search.result()


class _Search:
    """The state of one search: for each word the best candidate so far."""

    def __init__(
        self,
        code: Decoder,
        message_bytes: int,
        words: Bytes,
        reliability: NDArray[np.int16],
        names: NDArray[np.uint64] | None,
        unit: float,
    ) -> None:
        self.code, self.message_bytes, self.unit = code, message_bytes, unit
        self.words, self.reliability = words, reliability
        self.names = np.arange(len(words), dtype=np.uint64) if names is None else names
        self.best, self.distance = words.copy(), np.full(len(words), -1, np.int32)
        self.penalty, self.runner_up = np.full(len(words), _NONE), np.full(len(words), _NONE)
        self.trials = np.zeros(len(words), np.int64)
        self.levels, self.counts = _levels(reliability)
        # What all reads agree on is as good as it gets; only what is less sure is changed.
        sure = reliability.max(axis=1, initial=0)
        self.pools = (reliability < sure[:, None]).sum(axis=1).astype(np.int32)
        self.ties = (reliability == 0).sum(axis=1).astype(np.int32)
        self.ties[sure == 0] = 0

    def run(self, trials: int) -> None:
        """Make trials until each word has a codeword beyond doubt, or so many were made."""
        open_ = np.flatnonzero(self.pools > 0)
        for first in range(0, trials, 64):
            open_ = open_[self.log2_chance(open_) > SURE]
            if not len(open_):
                return
            for rows in np.array_split(open_, -(-len(open_) * 64 // _AT_ONCE)):
                most = int(self.pools[rows].max())
                order = np.argsort(self.reliability[rows], axis=1, kind="stable")[:, :most].astype(np.int32)
                tried = np.empty((min(64, trials - first), len(rows), self.words.shape[1]), np.uint8)
                kernels.trial_words(
                    self.words[rows], order, self.ties[rows], self.pools[rows], self.names[rows], first, tried
                )
                self.try_words(tried, rows)

    def try_words(self, tried: Bytes, rows: NDArray[np.int64]) -> None:
        """Decode `uint8[trials, rows, bytes]` and keep the best."""
        flat = tried.reshape(-1, tried.shape[2])
        decoded = self.code.decode(flat, self.message_bytes)
        best, distance = self.best[rows], self.distance[rows]
        penalty, runner_up = self.penalty[rows], self.runner_up[rows]
        errors = decoded.errors.reshape(tried.shape[:2])
        found = (self.words[rows], self.reliability[rows], decoded.words.reshape(tried.shape), errors)
        kernels.keep_best(*found, best, distance, penalty, runner_up)
        self.best[rows], self.distance[rows] = best, distance
        self.penalty[rows], self.runner_up[rows] = penalty, runner_up
        self.trials[rows] += len(tried)

    def log2_chance(self, rows: NDArray[np.int64]) -> NDArray[np.float64]:
        """`float64[rows]`: binary logarithm of the chance that the best candidate is an accident; 0 without one."""
        found = self.distance[rows] >= 0
        penalty = np.where(found, self.penalty[rows], 0)
        patterns = log2_patterns(self.levels, self.counts[rows], penalty)
        if isinstance(self.code, BchCode):
            lucky = sum(comb(self.reliability.shape[1], errors) for errors in range(self.code.t + 1))
            patterns = np.minimum(patterns, np.log2(np.maximum(self.trials[rows], 1)) + log2(lucky))
        chance = np.minimum(patterns - self.code.parity_bits, 0.0)
        return np.where(found, chance, 0.0)

    def result(self) -> SoftDecoded:
        """What is clear enough."""
        chance = self.log2_chance(np.arange(len(self.words))) * log(2) / log(10)
        clear = (self.distance >= 0) & (chance <= log(MOST_CHANCE) / log(10))
        # In floats: where there is no second candidate the gap is beyond all integers.
        clear &= (self.runner_up.astype(np.float64) - self.penalty.astype(np.float64)) * self.unit >= LEAST_GAP
        return SoftDecoded(
            np.where(clear[:, None], self.best, self.words),
            np.where(clear, self.distance, -1).astype(np.int32),
            np.where(clear, chance, 0.0),
            self.trials,
        )


def log2_patterns(
    levels: NDArray[np.int64], counts: NDArray[np.int64], penalty: NDArray[np.int64]
) -> NDArray[np.float64]:
    """Bound of the number of error patterns with at most a penalty, as a binary logarithm.

    Args:
        levels: `int64[levels]`, the reliabilities that occur.
        counts: `int64[words, levels]`, how many bits of each word have them.
        penalty: `int64[words]`.

    Returns:
        `float64[words]`.

    >>> levels, counts = np.array([0, 10]), np.array([[2, 100]])
    >>> bounds = [log2_patterns(levels, counts, np.array([p]))[0] for p in (0, 10, 20)]  # of 4, 404, 20204 patterns
    >>> [round(float(bound), 1) for bound in bounds]
    [2.0, 10.1, 16.2]
    """
    # log(1 + e^-x), `[slopes, levels]`; `[words, slopes]` after the product.
    factors = np.logaddexp(0.0, -_SLOPES[:, None] * levels[None])
    bounds = penalty[:, None] * _SLOPES[None] + counts @ factors.T
    least: NDArray[np.float64] = bounds.min(axis=1, initial=np.inf) / log(2)
    return least


def _levels(reliability: NDArray[np.int16]) -> tuple[NDArray[np.int64], NDArray[np.int64]]:
    levels = np.unique(reliability).astype(np.int64)
    counts = np.empty((len(reliability), len(levels)), np.int64)
    for column, level in enumerate(levels.tolist()):
        counts[:, column] = (reliability == level).sum(axis=1)
    return levels, counts
