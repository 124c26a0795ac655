"""Pages that share a keystream, told by a few equal bytes, wherever they lie.

At a lag after which a keystream comes again most pairs of pages share it, but those do not between which the order of
the keystreams breaks off, as it does from block to block: of pages 19 apart in blocks of 48 a third may share none. Two
pages with the same four bytes in the same columns do share it, but for an accident of 2^-32, whatever that order is. So
their differences are words of the code more often than those at a lag.

The differences of A and B, of B and C and of A and C are no three witnesses, since the third is the sum of the others.
So pairs are taken that close no ring: a spanning forest of the graph whose edges are the pairs. Copies of a page are
joined first, so that they count as one.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.sparse import coo_array
from scipy.sparse.csgraph import minimum_spanning_tree

from deadstick.solve.codeword.heads import Rows
from deadstick.solve.codeword.places import telling
from deadstick.solve.codeword.survey import FIRST_COLUMNS, Survey
from deadstick.solve.common.spread import scattered
from deadstick.solve.page_size.page_lags import word_pairs

KIND = "differences of pages with equal words"
COPIES, TELLING = 1, 2
"""Weights of the edges: copies are joined first."""


@dataclass(frozen=True, eq=False)
class AlikePages:
    """Pairs of pages with a few equal bytes, none of them the sum of others.

    Attributes:
        first: `int64[pairs]`, page numbers.
        second: `int64[pairs]`, behind them.
        lag: the most frequent distance in pages, over all pairs that tell something; 0 where there are none.
    """

    first: NDArray[np.int64]
    second: NDArray[np.int64]
    lag: int

    @classmethod
    def of(cls, survey: Survey) -> "AlikePages":
        """Those of a survey, as far as the first columns of their differences tell something."""
        one, other = word_pairs(survey.data, survey.page_bytes)
        heads = survey.pages[one, :FIRST_COLUMNS] ^ survey.pages[other, :FIRST_COLUMNS]
        told = telling(heads, FIRST_COLUMNS)
        distances = np.bincount(other[told] - one[told])
        weights = np.full(len(one), COPIES)
        weights[told] = TELLING
        count = len(survey.pages)
        forest = minimum_spanning_tree(coo_array((weights, (one, other)), shape=(count, count)).tocsr()).tocoo()
        kept = forest.data == TELLING
        first, second = forest.row[kept].astype(np.int64), forest.col[kept].astype(np.int64)
        return cls(first, second, int(distances.argmax()) if len(distances) else 0)

    def differences(self, survey: Survey, most: int) -> Rows:
        """Differences of at most so many pairs."""
        some = scattered(len(self.first), most)
        return Rows(KIND, survey.pages[self.first[some]] ^ survey.pages[self.second[some]], are_differences=True)
