"""The order of the search for a code."""

from deadstick.solve.decoding import NATURAL, fits
from deadstick.solve.plan import first_steps
from deadstick.solve.window import DEGREES, MESSAGES


def test_every_length_of_message_is_searched_in_every_field_once_and_the_longest_last() -> None:
    fitting = [step for step in first_steps(24) if step.depth is None and not step.at_ends]
    tried = [
        (message, m)
        for step in fitting
        for message in step.messages
        for m in DEGREES
        if fits(message, m) and (NATURAL[message] == m) == step.natural
    ]
    assert sorted(tried) == [(message, m) for message in MESSAGES for m in DEGREES if fits(message, m)]
    assert tried[-1] == (max(MESSAGES), max(DEGREES))
