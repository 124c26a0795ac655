"""Do the hints fit what was found? A hint that the data contradicts is refused, with the figures."""

from collections.abc import Iterator, Sequence

from deadstick.codes.bch import BchCode
from deadstick.errors import HintError
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part
from deadstick.recipe.recipe import Recipe
from deadstick.recipe.scrambler import LfsrKeystreams, Scrambler
from deadstick.solve.common.evidence import Finding
from deadstick.solve.hints.hints import CodeHint, Hints, InterleaveHint, KnownParts, ScramblerHint


def check_hints(recipe: Recipe, hints: Hints, findings: Sequence[Finding] = ()) -> None:
    """Hold the hints against a recipe that the data has proven.

    Args:
        recipe: proven.
        hints: of the user.
        findings: of the search; the figures of the question concerned go into the message.

    Raises:
        HintError: a hint says something else than the data; the message says what was seen and with which figures.
    """
    for question, hint, seen in contradictions(recipe, hints):
        figures = "".join(
            f" ({finding.figure}; chance of an accident: {finding.chance})"
            for finding in findings
            if finding.question == question
        )
        raise HintError(f"{hint} does not fit the dump: {seen}{figures}")


def contradictions(recipe: Recipe, hints: Hints) -> Iterator[tuple[str, str, str]]:
    """(question of the finding, the hint in words, what was seen instead) for every hint that does not fit."""
    layout = recipe.layout
    spare = layout.page_bytes - layout.data_bytes
    if hints.page_bytes not in {None, layout.data_bytes}:
        seen = f"pages have {layout.data_bytes} data bytes and {spare} spare bytes"
        yield "page size", f"--page-bytes {hints.page_bytes}", seen
    if hints.spare_bytes not in {None, spare}:
        seen = f"pages have {layout.data_bytes} data bytes and {spare} spare bytes"
        yield "page size", f"--spare-bytes {hints.spare_bytes}", seen
    if hints.pages_per_block not in {None, recipe.pages_per_block}:
        seen = f"blocks have {recipe.pages_per_block} pages"
        yield "block size", f"--pages-per-block {hints.pages_per_block}", seen
    if hints.code is not None:
        yield from _of_code(recipe.code, layout, hints.code)
    if hints.bit_order is not None and recipe.code is not None and recipe.code.bit_order != hints.bit_order:
        seen = f"the codewords are codewords with the {_end(recipe.code.bit_order)} significant bit first"
        yield "code", f"--bits {hints.bit_order}", seen
    if hints.scrambler is not None:
        yield from _of_scrambler(recipe.scrambler, hints.scrambler)
    if hints.known is not None:
        yield from _of_parts(recipe, hints.known)


def check_number(known: InterleaveHint | None, dumps: int) -> None:
    """Whether as many dumps were given as the user's interleave speaks of.

    Raises:
        HintError: there are more, or fewer.
    """
    if known is None or known.chips is None:
        return
    wanted = sum(map(len, known.chips))
    if wanted != dumps:
        words = "was given" if dumps == 1 else "were given"
        raise HintError(f"the interleave of the recipe file is for {wanted} chip dumps, and {dumps} {words}")


def family_of(code: object) -> str:
    """The family of a recipe's code as `CodeHint` names it."""
    return "none" if code is None else str(getattr(code, "family", "bch"))


def _end(order: str) -> str:
    return "most" if order == "msb" else "least"


def _of_code(code: Code | None, layout: PageLayout, hint: CodeHint) -> Iterator[tuple[str, str, str]]:
    words = f"--code {hint.describe()}"
    if family_of(code) != hint.family:
        yield "code", words, f"its codewords are those of {code.describe()}" if code else "no code was found"
        return
    if code is None:
        return
    data = sum(span.bits for span in layout.codewords[0].message if span.part is Part.DATA) // 8
    if hint.message_bytes not in {None, data}:
        yield "layout", words, f"a codeword has {data} data bytes"
    if hint.family == "bch":
        yield from _of_bch(code, hint, words)
    if hint.inverted not in {None, code.inverted}:
        yield "code", words, "the data are stored " + ("inverted" if code.inverted else "as they are")
    if hint.erased_is_codeword not in {None, code.erased_is_codeword}:
        seen = "masked, so that an erased page is a codeword" if code.erased_is_codeword else "stored as it is"
        yield "code", words, f"the parity is {seen}"


def _of_bch(code: Code, hint: CodeHint, words: str) -> Iterator[tuple[str, str, str]]:
    if hint.t not in {None, code.t}:
        yield "code", words, f"the codewords have {2 * code.t} consecutive roots, t = {code.t}"
    if hint.m not in {None, code.m}:
        yield "code", words, f"the roots are in GF(2^{code.m}), the generator has degree {code.parity_bits}"
    elif hint.polynomial not in {None, code.primitive_polynomial} and not _is_same_code(code, hint):
        seen = f"the consecutive roots are powers of a root of {code.primitive_polynomial:#x}"
        yield "code", words, f"{seen}, the generator has degree {code.parity_bits}"


def _is_same_code(code: Code, hint: CodeHint) -> bool:
    """Whether another primitive polynomial names the same code: then its generator is the same."""
    if hint.m is None or hint.polynomial is None:
        return False
    return BchCode(hint.m, hint.polynomial, code.t).generator == code.bch.generator


def _of_scrambler(scrambler: Scrambler | None, hint: ScramblerHint) -> Iterator[tuple[str, str, str]]:
    words = f"--scrambler {hint.describe()}"
    seen = scrambler.describe() if scrambler else "the codewords decode as they are stored, and nothing was added"
    if hint.place is not None and hint.place != (scrambler.place if scrambler else "none"):
        yield "scrambler", words, seen
    elif scrambler is None:
        return
    elif hint.period is not None and hint.period % scrambler.keystreams.count:
        yield "scrambler", words, f"there are {scrambler.keystreams.count} keystreams"
    elif hint.polynomial is not None and (
        not isinstance(scrambler.keystreams, LfsrKeystreams) or scrambler.keystreams.polynomial != hint.polynomial
    ):
        yield "scrambler", words, seen


def _of_parts(recipe: Recipe, known: KnownParts) -> Iterator[tuple[str, str, str]]:
    """Whole tables of a partial recipe: the words of both say where they differ."""
    if known.layout is not None and _skeleton(known.layout) != _skeleton(recipe.layout):
        seen = "pages decode with another layout: " + recipe.describe()["layout"]
        yield "layout", "the layout of the recipe file", seen
    if known.translation is not None and known.translation != recipe.translation:
        seen = f"it is {recipe.translation.describe()}"
        yield "translation", f"the translation of the recipe file ({known.translation.describe()})", seen
    if known.interleave is not None and not known.interleave.fits(recipe.interleave):
        words = f"the interleave of the recipe file ({known.interleave.describe()})"
        yield "interleave", words, f"it is {recipe.interleave.describe()}"
    if known.scrambler is not None and (
        recipe.scrambler is None or known.scrambler.keystreams != recipe.scrambler.keystreams
    ):
        seen = "the pages decode under other keystreams" if recipe.scrambler else "the pages decode as they are stored"
        yield "scrambler", "the scrambler of the recipe file", seen


def _skeleton(layout: PageLayout) -> tuple[int, frozenset[tuple[Part, int, int]]]:
    """Where data and parity lie; which bytes beside them are metadata cannot always be told."""
    spans = frozenset((span.part, span.start, span.bits) for span in layout.spans if span.part is not Part.METADATA)
    return layout.page_bytes, spans
