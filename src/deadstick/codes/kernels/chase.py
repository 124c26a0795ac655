"""Kernels of trial decoding: words with some bits changed, and how likely what comes of them is."""

from numba import njit
from numpy import int16, int32, int64, uint8, uint64
from numpy.typing import NDArray

LEAST_BITS = 6
"""Bits of which every combination is tried, as in algorithm 2 of Chase."""


@njit(cache=True, nogil=True)
def scramble(state: uint64) -> uint64:
    """The next number of a generator: splitmix64 (Steele, Lea and Flood, 2014)."""
    state = (state ^ (state >> uint64(30))) * uint64(0xBF58476D1CE4E5B9)
    state = (state ^ (state >> uint64(27))) * uint64(0x94D049BB133111EB)
    return state ^ (state >> uint64(31))


@njit(cache=True, nogil=True)
def _flip(word: NDArray[uint8], bit: int) -> None:
    word[bit >> 3] ^= uint8(128 >> (bit & 7))


@njit(cache=True, nogil=True)
def trial_words(  # noqa: C901, PLR0912  # one flat loop nest: calls cost reference counting
    words: NDArray[uint8],
    order: NDArray[int32],
    ties: NDArray[int32],
    pools: NDArray[int32],
    names: NDArray[uint64],
    first: int,
    out: NDArray[uint8],
) -> None:
    """Make trial number `first`, `first + 1` ... of every word.

    With ties: all of them 0, all of them 1, then at random; every second random trial changes one unsure bit as well.
    Without: every combination of the `LEAST_BITS` least reliable bits, then each other unsure bit alone, then two or
    three at random, the less reliable ones rather.

    Args:
        words: `uint8[words, bytes]`.
        order: `int32[words, bits]`, bits by rising reliability.
        ties: `int32[words]`, how many of them, from the first on, are ties.
        pools: `int32[words]`, how many are unsure at all, ties included.
        names: `uint64[words]`, numbers that make the trials of a word its own.
        first: number of the first trial.
        out: `uint8[trials, words, bytes]`.
    """
    golden = uint64(0x9E3779B97F4A7C15)
    for k in range(out.shape[0]):
        trial = first + k
        for row in range(words.shape[0]):
            word = out[k, row]
            word[:] = words[row]
            tied, pool = ties[row], pools[row]
            state = names[row] * golden + uint64(trial) * uint64(0xD1342543DE82EF95)
            if tied > 0:
                if trial < 2:
                    for i in range(tied):
                        bit = order[row, i]
                        if ((word[bit >> 3] >> (7 - (bit & 7))) & 1) != trial:
                            _flip(word, bit)
                    continue
                for i in range(tied):
                    if i % 64 == 0:
                        state += golden
                        chosen = scramble(state)
                    if (chosen >> uint64(i % 64)) & uint64(1):
                        _flip(word, order[row, i])
                if trial % 2 == 1 and pool > tied:
                    state += golden
                    _flip(word, order[row, tied + int64(scramble(state) % uint64(pool - tied))])
                continue
            least = min(pool, LEAST_BITS)
            combinations = (1 << least) - 1
            if trial < combinations:
                for i in range(least):
                    if ((trial + 1) >> i) & 1:
                        _flip(word, order[row, i])
            elif trial < combinations + pool - least:
                _flip(word, order[row, least + trial - combinations])
            else:
                for _ in range(3 if trial % 4 == 0 else 2):
                    state += golden
                    share = float(scramble(state) >> uint64(11)) / 9007199254740992.0
                    _flip(word, order[row, int64(pool * share * share)])


@njit(cache=True, nogil=True)
def keep_best(
    words: NDArray[uint8],
    reliability: NDArray[int16],
    candidates: NDArray[uint8],
    errors: NDArray[int16],
    best: NDArray[uint8],
    distance: NDArray[int32],
    penalty: NDArray[int64],
    runner_up: NDArray[int64],
) -> None:
    """Of the codewords that were found keep the likeliest one, and the penalty of the next.

    The penalty of a codeword is the sum of the reliabilities of the bits in which it differs from the word.

    Args:
        words: `uint8[words, bytes]`.
        reliability: `int16[words, bits]`; bits behind do not count.
        candidates: `uint8[trials, words, bytes]`, as decoded.
        errors: `int16[trials, words]`, below 0 where nothing was decoded.
        best: `uint8[words, bytes]`, the likeliest so far, updated.
        distance: `int32[words]`, bits in which it differs from the word, -1 for none; updated.
        penalty: `int64[words]`, updated.
        runner_up: `int64[words]`, updated.
    """
    bits = reliability.shape[1]
    for row in range(words.shape[0]):
        for trial in range(candidates.shape[0]):
            if errors[trial, row] < 0:
                continue
            candidate = candidates[trial, row]
            total, count, same = int64(0), 0, distance[row] >= 0
            for i in range(words.shape[1]):
                odd = candidate[i] ^ words[row, i]
                same &= candidate[i] == best[row, i]
                for bit in range(8):
                    if (odd >> (7 - bit)) & 1 and 8 * i + bit < bits:
                        total += int64(reliability[row, 8 * i + bit])
                        count += 1
            if same:
                continue
            if total < penalty[row]:
                runner_up[row] = penalty[row]
                penalty[row] = total
                distance[row] = count
                best[row] = candidate
            else:
                runner_up[row] = min(runner_up[row], total)
