"""From a table of keystreams to a recipe.

Before the ECC the table is all there is. After it the code fixes the rest: with the keystream known over the data, the
remainder of every clean word is that of the keystream over metadata and parity, and one and the same in all words. What
the code cannot check is the vote itself, see `stored_keystreams`.
"""

from collections import Counter
from dataclasses import replace
from itertools import chain, islice

import numpy as np
from numpy.typing import NDArray

from deadstick.recipe.code import Code, in_code_order
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import Scrambler, StoredKeystreams
from deadstick.solve.common.spread import evenly_of
from deadstick.solve.keystream.schedule import Schedule
from deadstick.solve.keystream.stored_keystreams import StoredTable
from deadstick.solve.keystream.stream_votes import CLEARLY
from deadstick.solve.seeds.missing_seeds import CLEANED, cleaned

MOST_WORDS = 96
AGREEING_WORDS, MOST_GROUPS = 3, 8
FEWEST_TELLING, BIASED = 4, 0.5


def table_before_code(recipe: Recipe, table: StoredTable) -> Recipe:
    """The recipe with a table that is added to the data before the code saw them.

    Args:
        recipe: with layout and code.
        table: from corrected data.
    """
    pages = data_in_place(recipe, table.streams)
    return _with(recipe, table, pages, table.known, before=True)


def table_after_code(
    recipe: Recipe, table: StoredTable, raw: NDArray[np.uint8], pages: NDArray[np.int64]
) -> Recipe | None:
    """The recipe with a table that is added to the stored codewords.

    Args:
        recipe: with layout and code, unscrambled.
        table: from data as read.
        raw: `uint8[pages, page_bytes]`.
        pages: `int64[pages]`, their numbers.

    Returns:
        None where no keystream makes codewords.
    """
    code = recipe.code
    if code is None:
        return None
    streams = data_in_place(recipe, table.streams)
    known = table.known.copy()
    numbers = table.schedule.index(pages)
    for number in np.flatnonzero(known).tolist():
        chosen = evenly_of(np.flatnonzero(numbers == number), MOST_WORDS)
        bare = raw[chosen] ^ streams[number]
        for slot, codeword in enumerate(recipe.layout.codewords):
            message_bytes = codeword.message_bits // 8
            words = recipe.words(bare, pages[chosen], slot)
            rest = _common_remainder(recipe, words, message_bytes)
            if rest is None:
                known[number] = False
                break
            # The remainder of a word whose message is zero is its parity.
            word = np.concatenate([np.zeros(message_bytes, np.uint8), rest])[None]
            if _is_biased(code, words ^ word, message_bytes):
                known[number] = False
                break
            streams[number] ^= recipe.page_bits(word, slot)[0]
    return _with(recipe, table, streams, known, before=False) if known.any() else None


def without_keystreams(
    recipe: Recipe, rule: Schedule, raw: NDArray[np.uint8], pages: NDArray[np.int64]
) -> Recipe | None:
    """A recipe under which everything decodes, to data that are scrambled still.

    Its keystreams are those of the controller, each less a codeword: the remainder of clean words tells as much without
    a word of plaintext.

    Args:
        recipe: with layout and code, unscrambled.
        rule: which page has which keystream.
        raw: `uint8[pages, page_bytes]`, as read.
        pages: `int64[pages]`, their numbers.

    Returns:
        None where no words have one remainder.
    """
    zeros = np.zeros((rule.count, recipe.layout.data_bytes), np.uint8)
    every = np.ones(rule.count, np.bool_)
    return table_after_code(recipe, StoredTable(rule, zeros, every, 0.0, ~every), raw, pages)


def with_data_keystreams(bare: Recipe, table: StoredTable) -> Recipe:
    """The recipe with the keystreams of a table added to those of `without_keystreams`.

    Args:
        bare: from `without_keystreams`.
        table: from what `bare` decodes.
    """
    scrambler = bare.scrambler
    if scrambler is None or not isinstance(scrambler.keystreams, StoredKeystreams):
        return bare
    data = np.concatenate([table.streams, np.zeros_like(table.streams[:1])])
    metadata = np.zeros((len(data), bare.layout.metadata_bytes), np.uint8)
    words = replace(bare, scrambler=None).encode(data, metadata, np.arange(len(data)), filler=0)
    streams = tuple(
        bytes(np.frombuffer(stream, np.uint8) ^ word ^ words[-1]) if stream and sure else b""
        for stream, word, sure in zip(scrambler.keystreams.streams, words[:-1], table.known.tolist(), strict=True)
    )
    return replace(bare, scrambler=replace(scrambler, keystreams=StoredKeystreams(streams)))


def _common_remainder(recipe: Recipe, words: NDArray[np.uint8], message_bytes: int) -> NDArray[np.uint8] | None:
    """The remainder that words have.

    Copies of one word have one remainder whatever was added to them, or if nothing was, as in a block that was
    programmed as a trial. So where no different words have it, those that do not are asked for theirs.
    """
    code = recipe.code
    rest = _agreed_remainder(recipe, words, message_bytes)
    if code is None or rest is None:
        return rest
    left, different = _under(code, words, rest)
    if different > 1 or len(left) < AGREEING_WORDS:
        return rest
    other = _agreed_remainder(recipe, left, message_bytes)
    return rest if other is None or _under(code, left, other)[1] < AGREEING_WORDS else other


def _under(code: Code, words: NDArray[np.uint8], rest: NDArray[np.uint8]) -> tuple[NDArray[np.uint8], int]:
    """The words that do not decode under a remainder, and how many different ones do."""
    alike = words.copy()
    alike[:, -len(rest) :] ^= rest
    decoded = code.codec.decode(alike, words.shape[1] - len(rest))
    good = decoded.errors >= 0
    return words[~good], len({word.tobytes() for word in decoded.words[good]})


def _agreed_remainder(recipe: Recipe, words: NDArray[np.uint8], message_bytes: int) -> NDArray[np.uint8] | None:
    """The remainder that clean words have, or else cleaned ones, group by group.

    Two words of a group may have a bit error in common, which cleaning them with each other leaves in both. So their
    remainder must be that of more words than any other is.
    """
    code = recipe.code
    if code is None:
        return None
    counts: Counter[bytes] = Counter()
    groups = (cleaned(words[first:], code, message_bytes) for first in range(0, len(words), CLEANED))
    for some in chain((words,), islice(groups, MOST_GROUPS)):
        if not len(some):
            continue
        counts.update(row.tobytes() for row in code.codec.remainder(some, message_bytes))
        (rest, votes), *others = counts.most_common(2)
        if votes >= max(AGREEING_WORDS, CLEARLY * (others[0][1] if others else 0)):
            return np.frombuffer(rest, np.uint8)
    return None


def _is_biased(code: Code, words: NDArray[np.uint8], message_bytes: int) -> bool:
    """Whether one and the same bit is corrected in most words: then it is none of theirs, but the keystream's."""
    decoded = code.codec.decode(words.copy(), message_bytes)
    good = decoded.errors >= 0
    if good.sum() < FEWEST_TELLING:
        return False
    wrong = np.unpackbits(decoded.words[good] ^ words[good], axis=1)
    return bool(wrong.mean(axis=0).max() > BIASED)


def data_in_place(recipe: Recipe, data: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Data where they stand in pages, and zeros elsewhere: `uint8[rows, data_bytes]` -> `uint8[rows, page_bytes]`."""
    order = recipe.code.bit_order if recipe.code else "msb"
    bare = Recipe(1, recipe.layout, None)
    metadata = np.zeros((len(data), recipe.layout.metadata_bytes), np.uint8)
    placed = bare.encode(in_code_order(data, order), metadata, np.arange(len(data)), filler=0)
    return in_code_order(placed, order)


def alike_pieces(layout: PageLayout) -> int:
    """Codewords of a page, if all have as much data, in their turn; else 1."""
    data = [[span for span in codeword.message if span.part is Part.DATA] for codeword in layout.codewords]
    in_turn = all(len(spans) == 1 and spans[0].target is None for spans in data)
    count = len(layout.codewords)
    return count if in_turn and len({spans[0].bits for spans in data}) == 1 else 1


def data_as_read(recipe: Recipe, raw: NDArray[np.uint8]) -> NDArray[np.uint8]:
    """Data as they stand in pages: `uint8[rows, page_bytes]` -> `uint8[rows, data_bytes]`."""
    order = recipe.code.bit_order if recipe.code else "msb"
    bare = Recipe(1, recipe.layout, None)
    data: NDArray[np.uint8] = in_code_order(bare.decode(in_code_order(raw, order), np.arange(len(raw))).data, order)
    return data


def _with(
    recipe: Recipe, table: StoredTable, streams: NDArray[np.uint8], known: NDArray[np.bool_], *, before: bool
) -> Recipe:
    schedule = table.schedule
    keystreams = StoredKeystreams(
        tuple(stream.tobytes() if sure else b"" for stream, sure in zip(streams, known.tolist(), strict=True))
    )
    covers = frozenset({Part.DATA}) if before else frozenset(Part)
    scrambler = Scrambler(
        "before_ecc" if before else "after_ecc", "column", keystreams, covers, schedule.page_step, schedule.block_step
    )
    size = schedule.pages_per_block or schedule.count
    return Recipe(size, recipe.layout, recipe.code, scrambler, recipe.translation, recipe.interleave)
