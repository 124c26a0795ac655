"""Recipes that decode the same words to the complement, which the code cannot tell and the volumes must."""

from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from deadstick.recipe.layout import Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import StoredKeystreams


def complemented(recipe: Recipe) -> Recipe:
    """The recipe that decodes the same words to the complement of the data.

    The complement of a codeword is a codeword whose parity is masked by that of an all-ones message, so inversion and
    mask together cannot be told from neither of them by the code; only the data can tell.
    """
    code = recipe.code
    if code is None:
        return recipe
    return replace(
        recipe, code=replace(code, inverted=not code.inverted, erased_is_codeword=not code.erased_is_codeword)
    )


def complements(recipe: Recipe) -> Iterator[Recipe]:
    """Recipes that decode the same words to the complement of the metadata, of all, or of the data."""
    if recipe.code is None:
        return
    metadata_alone, data_alone = with_other_metadata(recipe), _other_data(recipe)
    if metadata_alone is not None:
        yield metadata_alone
    yield complemented(recipe)
    if data_alone is not None:
        yield data_alone


def with_other_metadata(recipe: Recipe) -> Recipe | None:
    """The recipe with the complement of the metadata alone; None where data and metadata turn together."""
    data_alone = _other_data(recipe)
    return None if data_alone is None else complemented(data_alone)


def _other_data(recipe: Recipe) -> Recipe | None:
    """The recipe with the complement of the data alone; None where the keystreams run over metadata as well.

    Over the stored codewords the keystreams are complemented, and the mask of the parity with them: all other words
    stay codewords, and metadata outside them stay as they are. Metadata inside them need a table, see `_in_table`.
    """
    scrambler, code = recipe.scrambler, recipe.code
    if scrambler is None or code is None or not recipe.layout.metadata_bits:
        return None
    inverse = replace(recipe, scrambler=replace(scrambler, keystreams=scrambler.keystreams.inverse()))
    if scrambler.place == "before_ecc":
        return None if Part.METADATA in scrambler.covers else inverse
    in_words = any(span.part is Part.METADATA for word in recipe.layout.codewords for span in word.message)
    over_loose = scrambler.restart == "column" and Part.METADATA in scrambler.covers
    if over_loose or not scrambler.covers >= {Part.DATA, Part.PARITY}:
        return None
    if in_words:
        return _in_table(recipe)
    return replace(inverse, code=replace(code, erased_is_codeword=not code.erased_is_codeword))


def _in_table(recipe: Recipe) -> Recipe | None:
    """The complement of the data alone, where a table of keystreams runs around metadata that lie inside the codewords.

    A codeword of ones as data and zeros as metadata turns the data and nothing else. Added to every stored keystream it
    is part of the table, since that may hold any bytes. A register gives its own output and the complement of it, and
    neither is that codeword.
    """
    scrambler, code = recipe.scrambler, recipe.code
    if scrambler is None or code is None or Part.METADATA in scrambler.covers or scrambler.restart != "column":
        return None
    if not isinstance(scrambler.keystreams, StoredKeystreams):
        return None
    layout, number = recipe.layout, np.zeros(1, np.int64)
    plain = Recipe(1, layout, replace(code, inverted=False, erased_is_codeword=False))
    ones, zeros = np.full((1, layout.data_bytes), 0xFF, np.uint8), np.zeros((1, layout.metadata_bytes), np.uint8)
    word = plain.encode(ones, zeros, number, filler=0)[0]
    streams = tuple(
        (np.frombuffer(stream, np.uint8) ^ word[: len(stream)]).tobytes() for stream in scrambler.keystreams.streams
    )
    return replace(recipe, scrambler=replace(scrambler, keystreams=StoredKeystreams(streams)))
