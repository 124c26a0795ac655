"""The table `interleave` of a partial recipe file: any of its keys says something, the others are searched."""

from typing import Any

from deadstick.errors import RecipeError
from deadstick.recipe import toml
from deadstick.solve.hints.hints import InterleaveHint

KEYS = {"chips", "planes", "order", "by", "numbers"}
MOST_PLANES = 64


def interleave_hint(table: dict[str, Any]) -> InterleaveHint:
    """What the table says.

    `sure`, which the program writes too, says nothing of the order: it is for the search to say what is proven.

    Raises:
        RecipeError: a key is unknown or impossible, or there is none.

    >>> interleave_hint({"planes": 2, "by": "page"}).describe()
    'planes 2, by page'
    """
    if not table.keys() & KEYS:
        raise RecipeError(f"interleave: none of the keys {', '.join(sorted(KEYS))} is in it")
    if "order" in table and not {"chips", "planes"} <= table.keys():
        raise RecipeError("interleave.order: names units, and needs chips and planes beside it")
    planes = table.get("planes")
    if isinstance(planes, int) and planes > MOST_PLANES:
        raise RecipeError(f"interleave.planes: {planes} are more than {MOST_PLANES}")
    normal = toml.interleave_from_dict({"order": _natural(table), **table}).normal
    return InterleaveHint(
        normal.chips if "chips" in table else None,
        normal.planes if "planes" in table else None,
        normal.order if "order" in table else None,
        normal.by if "by" in table else None,
        normal.numbers if "numbers" in table else None,
    )


def _natural(table: dict[str, Any]) -> list[list[int]]:
    """An order for chips and planes that the schema has still to check."""
    chips, planes = table.get("chips", [[0]]), table.get("planes", 1)
    chip_count = len(chips) if isinstance(chips, list) else 1
    plane_count = planes if isinstance(planes, int) else 1
    return [[chip, plane] for plane in range(plane_count) for chip in range(chip_count)]
