"""The order of the search for a code."""

from dataclasses import replace
from time import monotonic

import numpy as np
import pytest

from deadstick.solve.codeword.decoding import NATURAL, ORDERS, fits
from deadstick.solve.codeword.polynomials import DEGREES
from deadstick.solve.hints.hints import CodeHint
from deadstick.solve.page import find_code
from deadstick.solve.page.plan import Step, every_polynomial, first_steps, hinted_steps, later_steps
from deadstick.solve.page_size.geometry import MESSAGES, PageCandidate


def test_every_length_of_message_is_searched_in_every_field_once_and_the_longest_last() -> None:
    fitting = [step for step in first_steps(24) if step.depth is None and not step.at_ends and not step.blind]
    tried = [
        (message, m)
        for step in fitting
        for message in step.messages
        for m in DEGREES
        if fits(message, m) and (NATURAL[message] == m) == step.natural
    ]
    assert sorted(tried) == [(message, m) for message in MESSAGES for m in DEGREES if fits(message, m)]
    assert tried[-1] == (max(MESSAGES), max(DEGREES))


def test_steps_that_the_first_seconds_did_not_reach_come_before_the_later_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    page = np.random.default_rng(1).integers(0, 256, 64 * 528, np.uint8)
    taken: list[Step] = []
    monkeypatch.setattr(find_code, "FIRST_SECONDS", -1.0)
    monkeypatch.setattr(find_code.CodeSearch, "over", lambda _search, _candidates, step: taken.append(step))
    search = find_code.CodeSearch(page, (PageCandidate(528, (), 20.0, "a comb"),))
    assert search.first() is None
    assert taken == []
    assert search.later(monotonic() + 60) is None
    assert taken == [*first_steps(1), *later_steps()]


def test_a_step_that_takes_too_long_ends_with_the_rows_that_it_is_at(monkeypatch: pytest.MonkeyPatch) -> None:
    page = np.random.default_rng(1).integers(0, 256, 64 * 528, np.uint8)
    candidates = [PageCandidate(528 + more, (), 20.0, "a comb") for more in (0, 16, 32)]
    looked_at: list[PageCandidate] = []
    search = find_code.CodeSearch(page, candidates)

    def slow(candidate: PageCandidate, _: Step) -> list[object]:
        looked_at.append(candidate)
        monkeypatch.setattr(find_code, "monotonic", lambda: monotonic() + 1000 * len(looked_at))
        return []

    monkeypatch.setattr(search.rows, "of", slow)
    assert search.later(monotonic() + 60) is None
    assert looked_at == candidates[1:2]  # not the last, although the step goes over both


def test_what_is_known_of_the_code_is_searched_before_all_the_rest() -> None:
    assert list(hinted_steps(24, None)) == []
    assert list(hinted_steps(24, CodeHint("bch"))) == []
    assert list(hinted_steps(24, CodeHint("rs", m=10, message_bytes=512))) == []
    field = list(hinted_steps(24, CodeHint("bch", m=14)))
    assert {p.bit_length() - 1 for step in field for p in step.polynomials} == {14}
    assert {step.messages for step in field} == {MESSAGES}
    one = list(hinted_steps(24, CodeHint("bch", polynomial=0x402B, message_bytes=1024)))
    assert {(step.polynomials, step.messages) for step in one} == {((0x402B,), (1024,))}
    length = list(hinted_steps(24, CodeHint("bch", message_bytes=2048)))
    assert {(step.polynomials, step.messages) for step in length} == {(every_polynomial(), (2048,))}
    assert {step.natural for step in length} == {True, False}
    assert list(hinted_steps(24, CodeHint("bch", message_bytes=768))) == []


def test_a_known_strength_or_bit_order_narrows_every_step_that_comes_first() -> None:
    assert [replace(step, orders=ORDERS) for step in hinted_steps(24, None, "lsb")] == list(first_steps(24))
    assert {step.orders for step in hinted_steps(24, None, "lsb")} == {("lsb",)}
    strong = list(hinted_steps(24, CodeHint("bch", t=40)))
    assert [replace(step, t=None) for step in strong] == list(first_steps(24))
    assert {step.t for step in strong} == {40}
    both = list(hinted_steps(24, CodeHint("bch", m=14, t=40), "msb"))
    assert {(step.orders, step.t) for step in both} == {(("msb",), 40)}
    assert {p.bit_length() - 1 for step in both for p in step.polynomials} == {14}
    assert list(hinted_steps(24, CodeHint("hamming"), "msb")) == []
