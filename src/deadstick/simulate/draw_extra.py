"""Controllers with another code than BCH, drawn within the same ranges as the others.

A further family is a function like `draw_other_page`, a share in `Ranges`, and a branch in `draw.draw_controller`.
"""

import math
from dataclasses import replace

import numpy as np

from deadstick.codes.probability import failure_probability
from deadstick.recipe.code import Code
from deadstick.recipe.layout import PageLayout, Part
from deadstick.simulate.draw_layout import PagePlan
from deadstick.simulate.draw_other import draw_other_code, draw_other_layout
from deadstick.simulate.draw_ranges import Ranges

MESSAGES = (256, 512, 512, 1024)
MOST_UNCOVERED = 4
"""Metadata bytes beyond the fields of the translation; the code does not cover them."""
USUAL_FAILURE = 1e-6


def draw_other_page(
    rng: np.random.Generator, ranges: Ranges, page_data: int, fields: int
) -> tuple[PagePlan, Code, PageLayout] | None:
    """Draw a page under a Reed-Solomon or a Hamming code.

    Args:
        rng: decides everything.
        ranges: what may be drawn.
        page_data: bytes.
        fields: metadata bytes that the fields of the translation need.

    Returns:
        Sizes, code and layout; None where the code that was drawn does not bear the noise or does not fit.
    """
    message = min(page_data, int(rng.choice(MESSAGES)))
    metadata = int(rng.integers(fields, fields + MOST_UNCOVERED + 1))
    code = draw_other_code(rng, message)
    plan = PagePlan("spare groups", page_data, message, metadata, first_only=False, covered=False)
    if code.parity_bytes > plan.room(ranges) or not bears(code, message, ranges):
        return None
    layout = draw_other_layout(rng, code, page_data, message, metadata)
    if any(span.part is Part.METADATA and span.start < 8 * page_data for span in layout.loose):
        plan = replace(plan, shape="in line")
    return plan, code, layout


def bears(code: Code, message: int, ranges: Ranges) -> bool:
    """Whether a code fails seldom enough at the ranges' rate; a Hamming code is read at a rate of its own."""
    if code.family == "hamming" or ranges.failure_most is None:
        return True
    symbols = -(-8 * message // code.m) + 2 * code.t
    of_symbol = 1 - (1 - ranges.raw_bit_error_rate) ** code.m
    return float(failure_probability(symbols, code.t, of_symbol)) < ranges.failure_most


def rate_of(code: Code | None, message: int, ranges: Ranges) -> float:
    """The raw bit error rate at which a chip with such a code is read.

    A Hamming code corrects one bit of its word, so it stands on chips with hardly an error: two errors in one word have
    about the probability (n p)^2 / 2.

    Args:
        code: of the controller.
        message: bytes that a word protects.
        ranges: with the rate for all other codes.
    """
    if code is None or code.family != "hamming":
        return ranges.raw_bit_error_rate
    most = USUAL_FAILURE if ranges.failure_most is None else ranges.failure_most
    return min(ranges.raw_bit_error_rate, math.sqrt(2 * most) / (8 * message + code.parity_bits))
