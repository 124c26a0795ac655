"""A partial recipe that says how chips and planes go together: it narrows the search, and must fit the data."""

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from spread_kit import RECIPE, SEEDS, TWO, Bytes, played

from deadstick.errors import HintError, RecipeError
from deadstick.progress import silent
from deadstick.rebuild.page_space import PageSpace
from deadstick.recipe import toml
from deadstick.recipe.interleave import NO_INTERLEAVE, Interleave
from deadstick.recipe.translation import IDENTITY
from deadstick.simulate.interleaved import interleaved_identity_dumps
from deadstick.solve.hints.hints import Hints, InterleaveHint
from deadstick.solve.hints.partial import hints_from_dict
from deadstick.solve.interleave.find_interleave import FoundInterleave, find_interleave
from deadstick.solve.interleave.find_joined import find_joined, joined_as
from deadstick.solve.interleave.interleave_orders import groups_of, planes_of, unmixed
from deadstick.solve.interleave.interleave_trials import NOTHING_KNOWN, SpreadSearch
from deadstick.solve.solver import solve
from deadstick.solve.translation.find_translation import find_translation

SWAPPED = Interleave(TWO, 1, ((1, 0), (0, 0)))
PLANES = Interleave(planes=2, order=((0, 0), (0, 1)))
EIGHT = Interleave(planes=8, order=tuple((0, plane) for plane in (0, 4, 1, 5, 2, 6, 3, 7)))


def dumps_with(interleave: Interleave, *, mapped: bool) -> tuple[Bytes, ...]:
    recipe = replace(RECIPE, interleave=interleave)
    return played(recipe) if mapped else played(replace(recipe, translation=IDENTITY), rate=0.0)


def found_in(
    dumps: tuple[Bytes, ...], interleave: Interleave, known: InterleaveHint, hint: int | None = None
) -> FoundInterleave:
    """The search for translation and interleave, where pages can be decoded already."""
    start = replace(RECIPE, translation=IDENTITY, interleave=unmixed(interleave.normal.chips))
    space = PageSpace.of_dumps(dumps, start)
    plain = find_translation(space, start, len(SEEDS), hint, silent)
    return find_interleave(SpreadSearch(space, plain, len(SEEDS), hint, silent, known))


def table_of(interleave: Interleave) -> dict[str, Any]:
    """As the program writes it."""
    table: dict[str, Any] = toml.to_dict(replace(RECIPE, interleave=interleave))["interleave"]
    return table


def hint_of(interleave: Interleave) -> InterleaveHint:
    hint = hints_from_dict({"interleave": table_of(interleave)}).interleave
    assert hint is not None
    return hint


class TestFile:
    """What a table says."""

    def test_a_table_that_the_program_wrote_says_all(self) -> None:
        hint = hint_of(replace(SWAPPED, sure=False))
        assert hint == InterleaveHint(TWO, 1, SWAPPED.order, "page", "own")
        assert hint.fits(SWAPPED)
        assert hint.fits(replace(SWAPPED, sure=False))  # what is proven is for the search to say
        assert not hint.fits(Interleave.of_chips(2))

    def test_chips_may_be_named_in_any_order(self) -> None:
        other_words = Interleave(((1,), (0,)), 1, ((0, 0), (1, 0)))
        assert hint_of(other_words) == hint_of(SWAPPED)
        assert hint_of(SWAPPED).fits(other_words)

    def test_any_key_alone_says_something(self) -> None:
        known = hints_from_dict({"interleave": {"planes": 2}}).interleave
        assert known == InterleaveHint(planes=2)
        assert known.fits(PLANES)
        assert not known.fits(NO_INTERLEAVE)
        by = InterleaveHint(by="block")
        assert not by.fits(PLANES)
        assert by.fits(NO_INTERLEAVE)  # one unit has no order

    def test_the_digest_tells_two_files_apart(self) -> None:
        digests = {hints_from_dict({"interleave": {"planes": planes}}).known for planes in (1, 2)}
        assert len({known.digest for known in digests if known}) == 2

    @pytest.mark.parametrize(
        ("table", "words"),
        [
            ({}, "interleave: none of the keys by, chips, numbers, order, planes"),
            ({"sure": True}, "interleave: none of the keys"),
            ({"planes": 0}, "0 planes is impossible"),
            ({"planes": "two"}, "interleave: planes"),
            ({"planes": 1 << 40}, "interleave.planes: 1099511627776 are more than 64"),
            ({"by": "sector"}, "interleave: by"),
            ({"chips": [[0], [2]]}, "chips must name the dumps 0, 1"),
            ({"chips": 5}, "interleave: chips"),
            ({"order": [[0, 0]]}, "interleave.order: names units, and needs chips and planes"),
            ({"chips": [[0]], "planes": 2, "order": [[0, 0]]}, "order must name each of the units"),
            ({"planes": 2, "ways": 2}, "interleave: ways"),
        ],
    )
    def test_what_is_unknown_or_impossible_is_named(self, table: dict[str, Any], words: str) -> None:
        with pytest.raises(RecipeError) as refusal:
            hints_from_dict({"interleave": table})
        assert words in str(refusal.value)


class TestNarrowing:
    """What is left out of the search."""

    def test_nothing_known_leaves_everything(self) -> None:
        assert list(planes_of(NOTHING_KNOWN)) == [1, 2, 4]
        assert sum(len(list(group)) for group in groups_of(NOTHING_KNOWN, TWO, 1)) == 6

    def test_a_whole_table_leaves_one(self) -> None:
        (group,) = groups_of(hint_of(SWAPPED), TWO, 1)
        assert list(group) == [SWAPPED]
        (eight,) = groups_of(hint_of(EIGHT), ((0,),), 8)
        assert list(eight) == [EIGHT]

    def test_a_key_leaves_what_fits(self) -> None:
        groups = [list(group) for group in groups_of(InterleaveHint(by="block"), TWO, 1)]
        assert all(interleave.by == "block" for group in groups for interleave in group)
        assert [len(group) for group in groups] == [2, 1]

    def test_what_the_search_would_not_think_of_is_tried(self) -> None:
        known = InterleaveHint(planes=2, by="block", numbers="common")
        assert [list(group) for group in groups_of(known, ((0,),), 2)] == [
            [replace(PLANES, by="block", numbers="common")]
        ]


CASES = {
    "swapped": (SWAPPED, True),
    "swapped, unmapped": (SWAPPED, False),
    "planes": (PLANES, True),
    "planes, unmapped": (PLANES, False),
    "one after another, turned": (Interleave(TWO, 1, ((1, 0), (0, 0)), "block", "common"), False),
}


@pytest.mark.parametrize("name", CASES)
def test_a_known_interleave_is_found_and_proven_as_without_it(name: str) -> None:
    interleave, mapped = CASES[name]
    dumps = dumps_with(interleave, mapped=mapped)
    blind = found_in(dumps, interleave, NOTHING_KNOWN)
    known = found_in(dumps, interleave, hint_of(interleave))
    assert known.translation.recipe == blind.translation.recipe
    assert known.translation.recipe.interleave == interleave
    assert known.translation.recipe.interleave.sure
    assert known.tried <= blind.tried


@pytest.mark.parametrize(
    "interleave", [Interleave(planes=4, order=((0, 0), (0, 1), (0, 2), (0, 3))), Interleave.one_after_another(2)]
)
def test_fewer_hypotheses_are_tried(interleave: Interleave) -> None:
    dumps = dumps_with(interleave, mapped=False)
    blind = found_in(dumps, interleave, NOTHING_KNOWN)
    known = found_in(dumps, interleave, InterleaveHint(planes=interleave.planes))
    assert known.translation.recipe.interleave == interleave
    assert replace(blind.translation.recipe.interleave, sure=True) == interleave
    assert 2 * known.tried < blind.tried


def test_eight_planes_are_beyond_the_search_and_not_beyond_a_recipe() -> None:
    dumps = dumps_with(EIGHT, mapped=False)
    assert found_in(dumps, EIGHT, NOTHING_KNOWN).translation.recipe.interleave.planes != 8
    found = found_in(dumps, EIGHT, hint_of(EIGHT), hint=64)
    assert found.translation.recipe.interleave == EIGHT
    assert found.score > 500


@pytest.mark.parametrize(
    ("true", "wrong"),
    [
        (SWAPPED, hint_of(Interleave.of_chips(2))),
        (SWAPPED, InterleaveHint(by="block")),
        (SWAPPED, hint_of(Interleave.one_after_another(2))),
        (PLANES, InterleaveHint(planes=1)),
        (PLANES, InterleaveHint(planes=4)),
        (NO_INTERLEAVE, InterleaveHint(planes=2, by="page")),
    ],
    ids=["order", "by block", "one after another", "no planes", "four planes", "planes where there are none"],
)
@pytest.mark.parametrize("mapped", [True, False], ids=["mapped", "unmapped"])
def test_what_the_volumes_contradict_is_refused_with_both_figures(
    true: Interleave, wrong: InterleaveHint, mapped: bool
) -> None:
    with pytest.raises(HintError) as refusal:
        found_in(dumps_with(true, mapped=mapped), true, wrong)
    assert wrong.describe() in str(refusal.value)
    assert "does not fit: volumes are consistent by" in str(refusal.value)
    assert f"bits under {true.describe()}" in str(refusal.value)


def test_without_a_volume_a_known_order_is_taken_and_not_proven() -> None:
    noise = np.random.default_rng(5).integers(0, 200, 2 << 20, dtype=np.uint8)
    recipe = replace(RECIPE, translation=IDENTITY, interleave=SWAPPED)
    dumps = tuple(interleaved_identity_dumps(noise, recipe, 12, 1))
    found = found_in(dumps, SWAPPED, hint_of(SWAPPED))
    assert found.translation.recipe.interleave == replace(SWAPPED, sure=False)


class TestBus:
    """The chips of a recipe file answer the first question."""

    def test_what_fits_is_taken(self) -> None:
        joined = Interleave(((1, 0),))
        found = find_joined(dumps_with(joined, mapped=False))
        assert joined_as(found, hint_of(joined)) == found

    def test_what_the_dumps_contradict_is_refused_with_the_figures(self) -> None:
        found = find_joined(dumps_with(SWAPPED, mapped=False))
        with pytest.raises(HintError, match=r"each dump is a chip of its own .*register output in one piece"):
            joined_as(found, InterleaveHint(chips=((0, 1),)))

    def test_where_nothing_tells_only_what_is_known_is_tried(self) -> None:
        rng = np.random.default_rng(2)
        found = find_joined([rng.integers(0, 256, 1 << 18, dtype=np.uint8) for _ in range(2)])
        assert len(found.choices) == 3
        known = joined_as(found, InterleaveHint(chips=((1, 0),)))
        assert known.choices == (((1, 0),),)
        assert known.finding.log10_chance is None

    def test_three_chips_on_a_bus_are_beyond_the_statistics(self) -> None:
        rng = np.random.default_rng(2)
        found = find_joined([rng.integers(0, 256, 1 << 18, dtype=np.uint8) for _ in range(3)])
        assert joined_as(found, InterleaveHint(chips=((2, 0, 1),))).choices == (((2, 0, 1),),)


class TestWholeJob:
    """From dumps to a recipe with a file of which only a part is there."""

    def test_a_file_without_translation(self) -> None:
        values = toml.to_dict(replace(RECIPE, interleave=SWAPPED))
        del values["translation"]
        found = solve(list(dumps_with(SWAPPED, mapped=True)), hints_from_dict(values))
        assert found.recipe is not None
        assert found.recipe.interleave == SWAPPED
        assert found.recipe.translation.logical_number == RECIPE.translation.logical_number

    def test_a_wrong_order_is_refused(self) -> None:
        values = toml.to_dict(replace(RECIPE, interleave=Interleave.of_chips(2)))
        del values["translation"]
        with pytest.raises(HintError, match=r"order \[\[0, 0\], \[1, 0\]\].* does not fit: volumes are consistent by"):
            solve(list(dumps_with(SWAPPED, mapped=True)), hints_from_dict(values))

    def test_another_number_of_dumps_is_refused(self) -> None:
        hints = Hints(known=hints_from_dict({"interleave": {"chips": [[0], [1]]}}).known)
        with pytest.raises(HintError, match="is for 2 chip dumps, and 1 was given"):
            solve(dumps_with(PLANES, mapped=True)[0], hints)
        with pytest.raises(HintError, match="is for 2 chip dumps, and 3 were given"):
            solve([*dumps_with(SWAPPED, mapped=True), dumps_with(PLANES, mapped=True)[0]], hints)
