"""How sure is a corrected codeword?

A decoder that corrects up to t errors answers with the one codeword within distance t of the word that was read.
Where more than t errors happened, it mostly reports failure, but now and then the word lies within distance t of
some other codeword: the decoder "corrects" it to that, and nothing in the word itself tells. For a weak code that
is no rarity.

**The chance of such an accident.** Let n be the bits of a codeword and r its parity bits. The decoder sees only the
syndrome, one of 2^r values. A pattern of more than t errors is far from the code, and its syndrome is taken to be
uniform: the assumption that the weights of the code are those of a binomial distribution over 2^r, which is good
for BCH codes of the lengths in use. The syndromes that the decoder answers with "j errors" are C(n, j) in number,
one for each pattern of j errors, so

    P(accident reported as j corrections | more than t errors) = C(n, j) / 2^r =: a_j.

Summed over j = 0..t that is the bound of R. J. McEliece and L. Swanson, "On the decoder error probability for
Reed-Solomon codes", IEEE Trans. Inf. Theory 32 (1986) 701-703, whose 1/t! it is for an unshortened code with r = m t
(M.-G. Kim and J. H. Lee carried it over to binary BCH codes; both cited from memory, and both tested here by
simulation).

**How many words had more than t errors?** With raw bit error rate p, Bayes' rule gives for one word that was
reported as j corrections

    doubt = P(more than t errors) 2^-r / (p^j (1-p)^(n-j)),

and the sum over the N C(n, j) p^j (1-p)^(n-j) words that are expected in class j is

    N P(more than t errors) a_j = G a_j,

G being the number of words with more than t errors. The error rate has cancelled: what counts is G, and G is
nearly seen, for a word with more than t errors is lost but for a share a = a_0 + ... + a_t. So no error rate, which
differs between pages far more than a binomial law says, needs to be believed.

**The rule.** Blocks are split in two groups. *Noisy* blocks have at least one lost codeword: L in all. *Quiet* ones
have none. G is taken as

    noisy: (L + 1) / (1 - a)      quiet: (S + 1) / (1 - a)

where S is the number of blocks with exactly one lost codeword: by the estimator of Good and Turing (Robbins'
empirical Bayes estimator for Poisson counts) that is the number of events to expect in the blocks that showed none.
The + 1 is for what no count can exclude. In each group the codewords with at most J corrections are EXACT, J being
the largest count for which 2 G (a_0 + ... + a_J) stays within the budget of the group, half of `BUDGET`. The factor 2
is a margin: it covers codes with even weights only (where the accidents fall on half of the syndromes) and
departures from the binomial weights. All others are DOUBTFUL. So the expected number of codewords in the whole dump
that are EXACT but wrong is below `BUDGET`. A codeword that no code protects is DOUBTFUL always.

**Reed-Solomon codes** count symbols of m bits. The syndromes that are answered with "j errors" are then
C(n, j) (2^m - 1)^j of 2^(2 t m), n being the symbols of a word; all else is the same.

**Hamming codes** have syndromes that are anything but uniform: three wrong bits always look like one. They have a rule
of their own, see `double_errors`.

**Limits.** The rule speaks of words whose errors are beyond the code, not of words that were never the controller's:
another codeword in the right place (a stale copy, a page that reads as a constant) is a matter for `translate`. A
word with more than t errors that are not scattered but made by someone who knows the code is outside the model.
"""

from dataclasses import dataclass
from math import comb

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.disk_protocol import SectorState
from deadstick.rebuild.double_errors import BUDGET, MARGIN, sure_words
from deadstick.recipe.code import ERASED, LOST, UNCHECKED, Code
from deadstick.recipe.recipe import Recipe

__all__ = [
    "BUDGET",
    "MARGIN",
    "Limits",
    "accident_chances",
    "chances_of",
    "codeword_states",
    "limits",
    "lost_in_blocks",
]


@dataclass(frozen=True)
class Limits:
    """What the rule of this module comes to for one dump.

    Attributes:
        quiet: most corrections of an EXACT codeword in a block without lost codewords; -1 for none.
        noisy: the same in a block with lost codewords.
        beyond_quiet: words with more than t errors to expect in the quiet blocks.
        beyond_noisy: the same in the noisy blocks.
    """

    quiet: int
    noisy: int
    beyond_quiet: float
    beyond_noisy: float


def accident_chances(codeword_bits: int, parity_bits: int, t: int) -> NDArray[np.float64]:
    """Chance that a word with more than t errors is reported as j corrections.

    Args:
        codeword_bits: message and parity bits of the shortened code.
        parity_bits: degree of the generator polynomial.
        t: errors that the decoder corrects.

    Returns:
        `float64[t + 1]`, indexed by j.

    >>> f"{accident_chances(8191, 13 * 4, 4).sum():.3f}"      # about 1 / 4!
    '0.042'
    """
    return np.array([min(1.0, comb(codeword_bits, j) / 2**parity_bits) for j in range(t + 1)])


def chances_of(code: Code, message_bits: int) -> NDArray[np.float64]:
    """`accident_chances` of any code but a Hamming code, for words that are made of noise for that too.

    Args:
        code: with its family.
        message_bits: of a codeword.

    Returns:
        `float64[t + 1]`, indexed by the corrections that are reported.

    >>> [f"{a:.0e}" for a in chances_of(Code(9, 0x221, 4, family="reed_solomon"), 4096)]
    ['2e-22', '5e-17', '6e-12', '5e-07', '3e-02']
    """
    if code.family != "reed_solomon":
        return accident_chances(message_bits + code.parity_bits, code.parity_bits, code.t)
    symbols = -(-message_bits // code.m) + 2 * code.t
    values = (1 << code.m) - 1
    ways = [comb(symbols, j) * values**j for j in range(code.t + 1)]
    return np.array([min(1.0, count / 2**code.parity_bits) for count in ways])


def limits(errors: NDArray[np.int16], blocks: NDArray[np.int64], chances: NDArray[np.float64]) -> Limits:
    """Apply the rule to the error counts of a dump.

    Args:
        errors: `int16[pages, codewords]`: bits corrected, or `LOST`, `ERASED`, `UNCHECKED`.
        blocks: `int64[pages]`, the block of each page, from 0.
        chances: `float64[t + 1]` from `accident_chances`.
    """
    lost = lost_in_blocks(errors, blocks)
    seen = 1.0 - min(float(chances.sum()), 0.999)
    beyond_quiet = (float(np.count_nonzero(lost == 1)) + 1) / seen
    beyond_noisy = (float(lost.sum()) + 1) / seen
    sums = MARGIN * np.cumsum(chances)
    return Limits(
        quiet=int(np.count_nonzero(beyond_quiet * sums <= BUDGET / 2)) - 1,
        noisy=int(np.count_nonzero(beyond_noisy * sums <= BUDGET / 2)) - 1,
        beyond_quiet=beyond_quiet,
        beyond_noisy=beyond_noisy,
    )


def lost_in_blocks(errors: NDArray[np.int16], blocks: NDArray[np.int64]) -> NDArray[np.int64]:
    """`int64[blocks]`: lost codewords of each block."""
    lost = (errors == LOST).sum(axis=1)
    counts: NDArray[np.int64] = np.zeros(int(blocks.max(initial=-1)) + 1, np.int64)
    np.add.at(counts, blocks, lost)
    return counts


def codeword_states(errors: NDArray[np.int16], blocks: NDArray[np.int64], recipe: Recipe) -> NDArray[np.uint8]:
    """The state of each codeword by itself, whatever its place on the disk.

    Args:
        errors: `int16[pages, codewords]`: bits corrected, or `LOST`, `ERASED`, `UNCHECKED`.
        blocks: `int64[pages]`, the block of each page, from 0.
        recipe: for the code and the lengths of its codewords.

    Returns:
        `uint8[pages, codewords]` of `SectorState`; an erased codeword is UNWRITTEN.
    """
    states = np.full(errors.shape, SectorState.DOUBTFUL, np.uint8)
    if recipe.code is not None and recipe.code.family == "hamming":
        states[sure_words(errors, blocks, recipe.code)] = SectorState.EXACT
    elif recipe.code is not None:
        longest = max(codeword.message_bits for codeword in recipe.layout.codewords)
        found = limits(errors, blocks, chances_of(recipe.code, longest))
        quiet = (lost_in_blocks(errors, blocks) == 0)[blocks]
        most = np.where(quiet, found.quiet, found.noisy).astype(np.int16)
        states[(errors >= 0) & (errors <= most[:, None])] = SectorState.EXACT
    states[errors == LOST] = SectorState.LOST
    states[errors == ERASED] = SectorState.UNWRITTEN
    states[errors == UNCHECKED] = SectorState.DOUBTFUL
    return states
