"""One kind of fact that a consistent volume makes true."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Check:
    """`passed` of `total` facts of one kind hold; each is worth `bits` against chance."""

    name: str
    passed: int
    total: int
    bits: float
