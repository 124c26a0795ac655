"""S-expressions: lists in parentheses, words, and strings in quotes."""

import re

from deadstick.errors import InputError

Expression = list["Expression | str"]
DEEPEST = 60

_TOKEN = re.compile(r'\s*(?:([()])|"((?:[^"\\]|\\.)*)"|([^\s()"]+))')


def parse_expression(text: str) -> Expression:
    """One s-expression: lists in parentheses, words, and strings in quotes with backslashes.

    >>> parse_expression('(a "b c" (d))')
    ['a', 'b c', ['d']]

    Raises:
        InputError: parentheses do not match, or something stands outside them.
    """
    stack: list[Expression] = []
    root: Expression | None = None
    place, end = 0, len(text.rstrip())
    while place < end:
        found = _TOKEN.match(text, place)
        if found is None or (root is not None and not stack):
            raise InputError(f"no s-expression: line {text.count(chr(10), 0, place) + 1} cannot be read")
        place = found.end()
        if found[1] == "(":
            opened: Expression = []
            if stack:
                stack[-1].append(opened)
            stack.append(opened)
            if len(stack) > DEEPEST:
                raise InputError("no netlist: parentheses are nested too deep")
        elif not stack:
            raise InputError("no s-expression: it does not begin with a parenthesis")
        elif found[1] == ")":
            root = stack.pop()
        else:
            stack[-1].append(re.sub(r"\\(.)", r"\1", found[2]) if found[2] is not None else found[3])
    if root is None or stack:
        raise InputError("no s-expression: a parenthesis is not closed; the file may be cut off")
    return root
