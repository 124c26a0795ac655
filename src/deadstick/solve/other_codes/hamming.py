"""Is there a Hamming code of row and column parities? Correlate computed parities with stored bits.

The parities of 256 or 512 data bytes can be computed whatever the page looks like. Where one of them is stored, it and
the stored bit are equal in every row without an error, or different in every one; between two bits that have nothing
to do with each other the correlation over n rows is about 1 / sqrt(n). So all places of all parities are found by one
product of matrices, whatever their order, and bit by bit; the sign tells whether the complement is stored. Most page
sizes have no such code, and there the first parity, stored nowhere, is enough to know it. (Locating
Hamming parity in the spare area and verifying it in software is the published way: "Identification of NAND flash ECC
algorithms in mobile devices", Digital Investigation 9 (2012), which goes through known orders of the bytes.)
"""

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from deadstick.codes.hamming import HammingCode
from deadstick.recipe.code import Code
from deadstick.recipe.layout import Codeword, PageLayout, Part, Span
from deadstick.solve.codeword.survey import Survey
from deadstick.solve.other_codes import kernels
from deadstick.solve.other_codes.found import FoundOther, loose_metadata, rows_of
from deadstick.solve.page_size.geometry import PageCandidate, data_bytes_of

ROWS = 1024
FEWEST_ROWS = 48
LEAST_CORRELATION = 0.25
"""Most words may have an error and still be seen, if there are rows enough; among few rows accidents are larger."""
ACCIDENT = 6.5
"""Standard deviations that no accident reaches among some hundred thousand pairs of bits."""
MOST_BETWEEN = 40
"""Bytes from the end of the data to its parity and on to the next data, where all stands in line."""
LEAST_SPREAD = 0.05
"""Share of rows in which a bit must be the rarer of its two values, to say anything."""
CONVINCING = -12.0
ROUNDING = 0.99
"""Correlations are compared in single precision; what is nearly enough is looked at."""
Bytes = NDArray[np.uint8]
STEPS: tuple[Literal[256, 512], ...] = (256, 512)


def find_hamming(survey: Survey, candidate: PageCandidate, lag: int) -> FoundOther | None:
    """Find the places of all parities of a page.

    Args:
        survey: pages of one size.
        candidate: the witness for that size.
        lag: pages apart whose differences are looked at; 0 for pages as read.

    Returns:
        None where some parity of some codeword is stored nowhere.
    """
    kind, values = rows_of(survey, lag, ROWS)
    data = data_bytes_of(survey.page_bytes)
    if len(values) < FEWEST_ROWS:
        return None
    spare = np.arange(data, survey.page_bytes)
    for step in STEPS:
        code = HammingCode(step)
        # All data first, with the parity in the spare area; or each stretch of data with its parity behind it.
        words = _words(values, code, [number * step for number in range(data // step)], spare)
        words = words or _words_in_line(values, code, data // step)
        if words is None or len({word.sign for word in words}) > 1:
            continue
        taken = {place for word in words for place in word.places}
        codewords = tuple(word.codeword(step, taken) for word in words)
        layout = PageLayout(survey.page_bytes, codewords, loose_metadata(survey.as_read(len(values)).values, codewords))
        masked = words[0].sign < 0 or lag > 0  # differences do not tell; storing the complement is the custom
        clean, examined = sum(word.clean for word in words), sum(word.examined for word in words)
        chance = sum(word.log10_chance for word in words)
        if chance > CONVINCING:
            continue
        figure = f"{clean} of {examined} stretches of {step} bytes in {kind} agree with all {code.parity_bits} parities"
        found_code = Code.hamming(step, erased_is_codeword=masked)
        return FoundOther(survey, layout, found_code, lag, candidate, kind, clean, examined, figure, chance)
    return None


@dataclass(frozen=True)
class _Word:
    """One codeword: where its parities are stored.

    Attributes:
        begin: its first column.
        places: for each parity a bit of the page.
        sign: 1 if they are stored as they are, -1 if as their complement.
        clean: rows that agree in all of them.
        examined: rows that say something.
        log10_chance: that so many do by accident, the choice of the places taken into account.
    """

    begin: int
    places: tuple[int, ...]
    sign: int
    clean: int
    examined: int
    log10_chance: float

    def codeword(self, step: int, taken: set[int]) -> Codeword:
        """Its spans, with neighbouring bits joined, and to the end of the last byte where nothing else stands there.

        In whole bytes a keystream that runs from part to part can be laid over it.
        """
        runs: list[list[int]] = []
        for place in self.places:
            if runs and place == runs[-1][0] + runs[-1][1]:
                runs[-1][1] += 1
            else:
                runs.append([place, 1])
        first, bits = runs[-1]
        end = -(-(first + bits) // 8) * 8
        if first % 8 == 0 and not taken & set(range(first + bits, end)):
            runs[-1][1] = end - first
        parity = tuple(Span(Part.PARITY, first, bits) for first, bits in runs)
        return Codeword((Span.of_bytes(Part.DATA, self.begin, step),), parity)


def _words(values: Bytes, code: HammingCode, begins: list[int], columns: NDArray[np.int64]) -> list[_Word] | None:
    """All codewords of a page, or None if one is missing or two would share a bit."""
    words: list[_Word] = []
    taken: set[int] = set()
    if 8 * len(columns) < len(begins) * code.parity_bits:
        return None
    stored = np.ascontiguousarray(values[:, columns])
    for begin in begins:
        word = _word(values, code, begin, columns, stored)
        if word is None or taken & set(word.places):
            return None
        taken |= set(word.places)
        words.append(word)
    return words


def _words_in_line(values: Bytes, code: HammingCode, count: int) -> list[_Word] | None:
    """The same with each parity behind its data."""
    step = code.message_bytes
    columns = np.arange(step, min(values.shape[1], step + MOST_BETWEEN))
    first = _words(values, code, [0], columns)
    if first is None or count == 1:
        return first
    least = max(place // 8 for place in first[0].places) + 1
    for stride in range(least, min(step + MOST_BETWEEN, values.shape[1] // count) + 1):
        moved = [columns + number * stride for number in range(count)]
        rows = [
            _words(values, code, [number * stride], near[near < values.shape[1]]) for number, near in enumerate(moved)
        ]
        if all(rows):
            return [row[0] for row in rows if row]
    return None


def _word(values: Bytes, code: HammingCode, begin: int, columns: NDArray[np.int64], stored: Bytes) -> _Word | None:
    block = values[:, begin : begin + code.message_bytes]
    telling = (block != block[:, :1]).any(axis=1)
    if int(telling.sum()) < FEWEST_ROWS:
        return None
    parities = np.unpackbits(code.encode(block[telling]), axis=1)[:, : code.parity_bits]
    packed = stored[telling]
    least = max(LEAST_CORRELATION, ACCIDENT / np.sqrt(len(packed)))
    if _strongest(parities[:, 0] == 1, packed) < ROUNDING * least:
        return None
    beside = np.unpackbits(packed, axis=1)
    correlation = _normalised(parities).T @ _normalised(beside) / len(beside)
    places = np.abs(correlation).argmax(axis=1)
    best = correlation[np.arange(len(places)), places]
    signs = np.sign(best)
    if np.abs(best).min() < least or (signs != signs[0]).any() or len(set(places.tolist())) < len(places):
        return None
    clean = int(((parities == 1) == (beside[:, places] == (signs[0] > 0))).all(axis=1).sum())
    ones = parities.mean(axis=0)
    a_row = float(np.log10(np.maximum(ones, 1 - ones)).sum())  # no better than to guess the usual value
    choices = len(places) * float(np.log10(2 * beside.shape[1]))
    bits = tuple((8 * columns[places // 8] + places % 8).tolist())
    return _Word(begin, bits, int(signs[0]), clean, len(beside), clean * a_row + choices)


def _strongest(parity: NDArray[np.bool_], packed: Bytes) -> float:
    """The largest correlation, without its sign, of one parity with any bit of the rows.

    Args:
        parity: `bool[rows]`.
        packed: `uint8[rows, bytes]`, so that nothing need be unpacked where the answer is none.
    """
    counts = np.empty((2, 8 * packed.shape[1]), np.int64)
    for chosen, out in zip((np.ones(len(packed), np.bool_), parity), counts, strict=True):
        kernels.count_ones(packed, chosen, kernels.SPREAD, out)
    ones, both = counts / len(packed)
    share = float(parity.mean())
    varies = np.minimum(ones, 1 - ones) > LEAST_SPREAD * ROUNDING
    if min(share, 1 - share) <= LEAST_SPREAD * ROUNDING or not varies.any():
        return 0.0
    ones, both = ones[varies], both[varies]
    return float(np.abs((both - share * ones) / np.sqrt(share * (1 - share) * ones * (1 - ones))).max())


def _normalised(bits: Bytes) -> NDArray[np.float32]:
    """Bits with mean 0 and variance 1, column by column; columns that hardly vary become 0."""
    share = bits.mean(axis=0, dtype=np.float32)
    spread = np.minimum(share, 1 - share)
    varies = spread > LEAST_SPREAD
    scale = np.where(varies, np.sqrt(share * (1 - share)), np.float32(1))
    normalised: NDArray[np.float32] = np.where(varies, (bits - share) / scale, np.float32(0)).astype(np.float32)
    return normalised
