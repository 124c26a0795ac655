"""The answers of the search in words and figures, for the table that an engineer argues with."""

import math
from dataclasses import replace

from deadstick.recipe.layout import PageLayout
from deadstick.solve.answer.without_code import FoundWithoutCode
from deadstick.solve.common.evidence import Finding, Rival
from deadstick.solve.common.noise import Uniformity
from deadstick.solve.other_codes.found import FoundOther
from deadstick.solve.page.found_page import FoundPage
from deadstick.solve.page_size.geometry import PageCandidate
from deadstick.solve.scrambler.coded_pages import Unscrambled, decode_chance
from deadstick.solve.translation.find_translation import FoundTranslation
from deadstick.solve.whole_page.multiple import Multiple

MOST_RIVALS, MOST_SIZES = 5, 8
WRONG_DECODES = "of words that are no codewords of this code, about one in t! decodes"


def page_size(found: FoundPage, candidates: tuple[PageCandidate, ...]) -> Finding:
    """Data and spare area together."""
    layout = found.layout
    return Finding(
        "page size",
        _size(layout),
        found.candidate.witness,
        found.window.log10_chance,
        page_rivals(layout.page_bytes, candidates),
        "the witness only suggests; the chance is that of codewords in such pages, see layout",
    )


def _size(layout: PageLayout) -> str:
    data, page = layout.data_bytes, layout.page_bytes
    return f"{page} bytes: {data} data, {page - data} spare"


def with_page(answers: list[Finding], layout: PageLayout, larger: Multiple) -> list[Finding]:
    """The answers, with another one on the page size, where the metadata told a larger page afterwards."""
    words = f" ... {len(layout.codewords)} codewords"
    return [
        replace(one, answer=_size(layout), figure=larger.figure)
        if one.question == "page size"
        else replace(one, answer=one.answer + words)
        if one.question == "layout"
        else one
        for one in answers
    ]


def page_rivals(page: int, candidates: tuple[PageCandidate, ...]) -> tuple[Rival, ...]:
    """Other page sizes, with one line for all that have the same reason.

    Multiples and divisors of the right page have a figure because the right page has one, and all divisors of a lag
    have that lag's figure: neither are witnesses of their own.

    >>> lag, comb = "bytes come again after 18,384 bytes", "a comb of equal bytes"
    >>> items = [PageCandidate(size, (18384 // size,), 56.0, lag) for size in (1149, 2298)]
    >>> for rival in page_rivals(4432, (*items, PageCandidate(8864, (), 40.0, comb))):
    ...     print(rival.answer)
    multiples and divisors of 4,432: 8,864 (40)
    1,149, 2,298 bytes
    """
    related = [item for item in candidates if item.page_bytes != page and _is_related(item.page_bytes, page)]
    rivals = []
    if related:
        sizes = ", ".join(f"{item.page_bytes:,} ({item.figure:.0f})" for item in related[:MOST_SIZES])
        figure = "in brackets: standard deviations of what suggests each; they come with the right page"
        rivals.append(Rival(f"multiples and divisors of {page:,}: {sizes}{_more(len(related))}", figure))
    groups: dict[str, list[int]] = {}
    for item in candidates:
        if not _is_related(item.page_bytes, page):
            groups.setdefault(item.witness, []).append(item.page_bytes)
    for witness, pages in list(groups.items())[:MOST_RIVALS]:
        sizes = ", ".join(f"{size:,}" for size in pages[:MOST_SIZES])
        rivals.append(Rival(f"{sizes}{_more(len(pages))} bytes", witness))
    return tuple(rivals)


def _is_related(one: int, other: int) -> bool:
    return max(one, other) % min(one, other) == 0


def _more(count: int) -> str:
    return f" and {count - MOST_SIZES} more" if count > MOST_SIZES else ""


def layout(found: FoundPage) -> Finding:
    """Where the codewords lie."""
    window = found.window
    lines = [
        " + ".join(f"{span.part} {span.start // 8}..{span.end // 8 - 1}" for span in codeword.spans)
        for codeword in found.layout.codewords[:2]
    ]
    more = f" ... {len(found.layout.codewords)} codewords" if len(found.layout.codewords) > 2 else ""
    figure = f"{window.hits} of {window.rows} {window.kind} have the root where 2^-{window.m} of them would by accident"
    if window.depth:
        figure = (
            f"{window.hits} of {window.rows} {window.kind} decode there, with {window.errors:.1f} errors in the mean; "
            f"2^-{2 * window.m} of them would by accident"
        )
    meaning = "in a wrong place, or of a wrong length, the rows are no codewords; over all that was tried"
    return Finding("layout", "; ".join(lines) + more, figure, window.log10_chance, meaning=meaning)


def code(found: FoundPage) -> Finding:
    """Which code."""
    words, bch = found.words, found.words.bch
    figure = (
        f"{words.words} of {words.examined} words, corrected by the first roots, are multiples of the generator of "
        f"degree {bch.parity_bits}"
    )
    # What the correction has made zero says nothing; where that is all, the place of the words speaks for the code.
    told = max(0, bch.parity_bits - words.forced_bits)
    chance = -words.words * told * math.log10(2) + math.log10(3186) if told else found.window.log10_chance
    return Finding("code", found.code.describe(), figure, chance)


def other_code(found: FoundOther, candidates: tuple[PageCandidate, ...]) -> list[Finding]:
    """Page size, layout and code, where the code is a Reed-Solomon or a Hamming code."""
    layout = found.layout
    rivals = page_rivals(layout.page_bytes, candidates)
    words = f"{found.words} of {found.examined} codewords in {found.kind} have no error"
    return [
        Finding("page size", _size(layout), found.candidate.witness, found.log10_chance, rivals),
        Finding("layout", f"{len(layout.codewords)} codewords a page", words, found.log10_chance),
        Finding("code", found.code.describe(), found.figure, found.log10_chance),
    ]


def codeless(found: FoundWithoutCode) -> list[Finding]:
    """Data that are readable without a code."""
    layout = found.recipe.layout
    rivals = tuple(Rival(answer, f"{score:.0f} bits of consistency") for answer, score in found.rivals[:MOST_RIVALS])
    chance = -found.score * math.log10(2)
    return [
        Finding("code", "none found", "no BCH, Reed-Solomon or Hamming code explains the pages", None),
        Finding("page size", _size(layout), found.figure, chance, rivals),
    ]


def scrambler(plain: Unscrambled) -> Finding:
    """What was added."""
    rule, register, table = plain.rule, plain.register, plain.table
    if plain.recipe.scrambler is not None and table is not None:
        figure = (
            f"keystreams by the most frequent byte of each column, which {table.votes:.0%} of the pages have; "
            f"{plain.derived} of {plain.recipe.scrambler.keystreams.count} are unknown; "
            f"{plain.decoded} of {plain.examined} codewords decode"
        )
        chance = decode_chance(plain.recipe, plain.decoded, plain.examined)
        return Finding("scrambler", plain.recipe.scrambler.describe(), figure, chance)
    if plain.recipe.scrambler is not None and (rule is None or register is None):
        share = f"given by the user; {plain.decoded} of {plain.examined} codewords decode"
        chance = decode_chance(plain.recipe, plain.decoded, plain.examined)
        return Finding("scrambler", plain.recipe.scrambler.describe(), share, chance)
    if plain.recipe.scrambler is None or rule is None or register is None:
        share = f"{plain.decoded} of {plain.examined} codewords decode as stored; no shift register shows in the data"
        return Finding("scrambler", "none", share, decode_chance(plain.recipe, plain.decoded, plain.examined))
    figure = (
        f"{rule.agreeing} of {rule.counted} places with bare register output agree on the seeds; "
        f"{plain.decoded} of {plain.examined} codewords decode"
    )
    if plain.derived:
        unknown = int(plain.recipe.scrambler.keystreams.unknown.sum())
        figure += (
            f"; {plain.derived} seeds show nowhere in the data, {unknown} of them do not follow from others either"
        )
    return Finding("scrambler", plain.recipe.scrambler.describe(), figure, register.log10_chance)


def block_size(found: FoundTranslation) -> Finding:
    """Pages in a block."""
    return Finding("block size", f"{found.block.pages} pages", found.block.figure, found.block.log10_chance)


def translation(found: FoundTranslation) -> Finding:
    """From physical to logical blocks."""
    figure = found.numbering.figure if found.numbering else "no metadata field behaves like a block number"
    figure += f"; volumes consistent by {found.volume_score:.0f} bits"
    rivals = tuple(Rival(answer, f"volumes consistent by {score:.0f} bits") for answer, score in found.rivals[:6])
    chance = min(found.numbering.log10_chance if found.numbering else 0.0, -found.volume_score * math.log10(2))
    return Finding("translation", found.recipe.translation.describe(), figure, chance, rivals)


def proof(plain: Unscrambled, found: FoundTranslation, rivals: tuple[Rival, ...] = ()) -> Finding:
    """The whole recipe held against the dump, beside recipes that differ in one thing."""
    figure = (
        f"{plain.decoded} of {plain.examined} codewords decode; volumes consistent by {found.volume_score:.0f} bits"
    )
    answer = "the recipe decodes the dump"
    if found.volume_score <= 0:
        answer += ", but no volume was recognised on the disk"
    chance = decode_chance(plain.recipe, plain.decoded, plain.examined)
    return Finding("proof", answer, figure, chance, rivals, WRONG_DECODES)


def noise(figure: Uniformity, candidates: tuple[PageCandidate, ...]) -> Finding:
    """Why nothing was found."""
    seen = f"{len(candidates)} page sizes were tried" if candidates else "no page size stands out"
    text = (
        f"chi-square {figure.chi_square:.0f} for 255 degrees of freedom (p = {figure.p_value:.2g}), "
        f"{figure.entropy:.3f} bits a byte; {seen}"
    )
    return Finding("content", "no code found", text, None)
