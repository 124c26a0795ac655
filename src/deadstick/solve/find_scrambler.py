"""The search for the scrambler, once pages and code are known."""

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from deadstick.rebuild.certainty import accident_chances
from deadstick.recipe.code import LOST, Code, in_code_order
from deadstick.recipe.gather import gather
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler, stream_positions
from deadstick.solve.keystream import SeedRule, seed_rules, solve_seed
from deadstick.solve.register import Register, find_hits, find_registers
from deadstick.solve.survey import Survey
from deadstick.solve.window import log10_tail

PROOF_PAGES = 64
FIRST_PAGES = 8
CONVINCING = -6.0
CONVINCING_SHARE = 0.5
"""Share of codewords that must decode before a hypothesis is taken up; a wrong one decodes about 1/t! of them."""


class CodedPages(Protocol):
    """Pages whose layout and code are known, found or given."""

    @property
    def survey(self) -> Survey:
        """Pages of the right size."""

    @property
    def layout(self) -> PageLayout:
        """Of one page."""

    @property
    def code(self) -> Code:
        """With its bit order; inversion and mask may be unknown yet."""

    @property
    def lag(self) -> int:
        """Pages apart whose differences are codewords; 0 where the pages themselves are."""


@dataclass(frozen=True)
class Unscrambled:
    """A recipe that decodes, as far as the code and the scrambler go.

    Attributes:
        recipe: with identity translation.
        decoded: codewords of the proof pages that decode.
        examined: codewords of the proof pages.
        register: the shift register, where there is a scrambler.
        rule: where it restarts, where there is a scrambler.
        derived: keystreams whose seed came from the code or the rule and not from constant plaintext.
    """

    recipe: Recipe
    decoded: int
    examined: int
    register: Register | None = None
    rule: SeedRule | None = None
    derived: int = 0


def find_scrambler(found: CodedPages, registers: tuple[Register, ...]) -> Unscrambled | None:
    """Find what was added to the codewords, or to the data before the code saw them.

    Args:
        found: pages and code.
        registers: seen in the dump as read.

    Returns:
        None where the code is known but the keystream is not.
    """
    plain = _best_plain(found)
    if plain is not None:
        return _before_code(found, plain) or plain
    return _after_code(found, registers)


def proof_pages(found: CodedPages, most: int = PROOF_PAGES) -> NDArray[np.int64]:
    """Pages on which hypotheses are tested."""
    return found.survey.some_written(most)


def count_decoded(recipe: Recipe, found: CodedPages, pages: NDArray[np.int64]) -> tuple[int, int]:
    """(codewords that decode, codewords) in some pages."""
    errors = recipe.decode(found.survey.pages[pages], pages).errors
    return int((errors >= 0).sum()), int((errors >= LOST).sum())


def _better(best: Unscrambled | None, recipe: Recipe, found: CodedPages) -> Unscrambled | None:
    """The better of two hypotheses; a few pages are enough to dismiss one."""
    for most in (FIRST_PAGES, PROOF_PAGES):
        decoded, examined = count_decoded(recipe, found, proof_pages(found, most))
        if decoded < CONVINCING_SHARE * examined or decode_chance(recipe, decoded, examined) > CONVINCING:
            return best
    return Unscrambled(recipe, decoded, examined) if best is None or decoded > best.decoded else best


def decode_chance(recipe: Recipe, decoded: int, examined: int) -> float:
    """Logarithm of the chance that so many words which are no codewords decode.

    A word falls into a decoding sphere by accident with the chance of the spheres' share of all words, about 1/t!.
    """
    code = recipe.code
    if code is None:
        return 0.0
    bits = recipe.layout.codewords[0].message_bits + code.parity_bits
    share = min(1.0, float(accident_chances(bits, code.parity_bits, code.t).sum()))
    return log10_tail(examined, decoded, share)


def _variants(code: Code) -> Iterator[Code]:
    """Stored forms of a code that look alike in differences of pages."""
    for inverted in (False, True):
        for masked in (False, True):
            yield replace(code, inverted=inverted, erased_is_codeword=masked)


def _best_plain(found: CodedPages) -> Unscrambled | None:
    best: Unscrambled | None = None
    for code in _variants(found.code):
        best = _better(best, Recipe(1, found.layout, code), found)
    return best


def _before_code(found: CodedPages, plain: Unscrambled) -> Unscrambled | None:
    """The codewords are as stored; is the data in them scrambled?"""
    pages = found.survey.some_written(max(PROOF_PAGES, (16 << 20) // found.layout.page_bytes))
    batch = plain.recipe.decode(found.survey.pages[pages], pages)
    good = (batch.errors >= 0).all(axis=1)
    data = np.ascontiguousarray(batch.data[good])
    registers = find_registers(data.reshape(-1))
    if not registers:
        return None
    columns_of = _data_columns(found.layout)
    for register in registers[:3]:
        hits = find_hits(data.reshape(-1), register)
        row, column = np.divmod(hits.positions, found.layout.data_bytes)
        rules = seed_rules(
            hits,
            pages[good][row],
            columns_of[column],
            register,
            found.layout,
            0,
            covers=(frozenset({Part.DATA}), frozenset({Part.DATA, Part.METADATA})),
        )
        for rule in rules:
            scrambler = _scrambler(rule, register, "before_ecc")
            if scrambler is not None:
                recipe = replace(plain.recipe, pages_per_block=rule.period, scrambler=scrambler)
                return replace(plain, recipe=recipe, register=register, rule=rule, derived=len(rule.missing))
    return None


def _after_code(found: CodedPages, registers: tuple[Register, ...]) -> Unscrambled | None:
    best: Unscrambled | None = None
    for register in registers[:3]:
        hits = find_hits(found.survey.data, register)
        page, column = np.divmod(hits.positions, found.layout.page_bytes)
        inside = page < len(found.survey.pages)
        inside[inside] &= found.survey.written[page[inside]]
        rules = seed_rules(hits.take(inside), page[inside], column[inside], register, found.layout, found.lag)
        for rule in rules:
            filled, derived = _with_missing_seeds(rule, register, found)
            scrambler = _scrambler(filled, register, "after_ecc")
            if scrambler is None:
                continue
            for code in _variants(found.code):
                recipe = Recipe(filled.period, found.layout, code, scrambler)
                better = _better(best, recipe, found)
                if better is not best and better is not None:
                    best = replace(better, register=register, rule=filled, derived=derived)
    return best


def _scrambler(rule: SeedRule, register: Register, place: str) -> Scrambler | None:
    if rule.missing and len(rule.missing) > rule.period // 2:
        return None
    seeds = tuple(rule.seeds.get(number, 0) for number in range(rule.period))
    keystreams = LfsrKeystreams(register.polynomial, seeds, register.bit_order)
    return Scrambler("after_ecc" if place == "after_ecc" else "before_ecc", rule.restart, keystreams, rule.covers)


def _with_missing_seeds(rule: SeedRule, register: Register, found: CodedPages) -> tuple[SeedRule, int]:
    """Seeds of keystreams under which nothing constant lies, from the code's equations."""
    if not rule.missing:
        return rule, 0
    positions = _word_positions(found.layout, rule)
    seeds = dict(rule.seeds)
    numbers = np.flatnonzero(found.survey.written)
    for missing in rule.missing:
        pages = numbers[numbers % rule.period == missing][:64]
        if not len(pages):
            continue
        words, where = _stored_words(found, pages, positions)
        seed = solve_seed(
            words, where, register.polynomial, register.bit_order == "lsb", _remainder(found.code, words.shape[1])
        )
        if seed is not None:
            seeds[missing] = seed
    return replace(rule, seeds=seeds), len(seeds) - len(rule.seeds)


def _word_positions(layout: PageLayout, rule: SeedRule) -> NDArray[np.int64]:
    return stream_positions(layout, rule.restart, rule.covers)


def _stored_words(
    found: CodedPages, pages: NDArray[np.int64], positions: NDArray[np.int64]
) -> tuple[NDArray[np.uint8], NDArray[np.int64]]:
    """First codewords of some pages as stored, and the keystream byte of each of their bytes."""
    spans = found.layout.codewords[0].spans
    size = sum(span.bits for span in spans) // 8
    words = np.empty((len(pages), size), np.uint8)
    gather(found.survey.pages[pages], spans, words)
    where = np.concatenate([positions[span.start // 8 : span.end // 8] for span in spans])
    return words, where


def _remainder(code: Code, size: int) -> Callable[[NDArray[np.uint8]], NDArray[np.uint8]]:
    message_bytes = size - code.parity_bytes

    def remainder(words: NDArray[np.uint8]) -> NDArray[np.uint8]:
        return code.bch.remainder(in_code_order(words, code.bit_order), message_bytes)

    return remainder


def _data_columns(layout: PageLayout) -> NDArray[np.int64]:
    """`int64[data_bytes]`: the column of the page that holds each byte of data."""
    columns = [
        np.arange(span.start // 8, -(-span.end // 8))
        for codeword in layout.codewords
        for span in codeword.message
        if span.part is Part.DATA
    ]
    return np.concatenate(columns)
