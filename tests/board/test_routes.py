from itertools import permutations
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from deadstick.board.odds import Diagnosis
from deadstick.board.readings import Kind, Reading
from deadstick.board.route_figures import Hours, Route, Share, Site
from deadstick.board.route_files import Case, default_text, learned, load_cases, load_figures
from deadstick.board.routes import Facts, choose, plan_of, sites_of
from deadstick.board.templates import usb2_stick
from deadstick.errors import InputError

FIGURES = load_figures()
CONTROLLER = Facts({Site.CONTROLLER: 1.0}, encrypts=False, donor=False)


def test_the_rule_of_beta_and_binomial() -> None:
    # Beta(18, 2) after 3 of 4: Beta(21, 3), with scipy's own percentiles beside ours.
    share = Share(18, 20).with_cases(3, 4)
    beta = stats.beta(21, 3)
    assert share.mean == pytest.approx(beta.mean())
    assert share.variance == pytest.approx(beta.var())
    assert share.interval() == pytest.approx((beta.ppf(0.05), beta.ppf(0.95)))


def test_hours_between_their_percentiles() -> None:
    hours = Hours.between(1, 4, 16)
    normal = stats.lognorm(hours.width, scale=hours.median)
    assert hours.interval() == pytest.approx((normal.ppf(0.05), normal.ppf(0.95)), rel=1e-3)
    assert hours.mean == pytest.approx(normal.mean())


def test_many_hours_of_the_lab_outweigh_the_shipped_ones() -> None:
    rng = np.random.default_rng(2)
    own = np.exp(rng.normal(np.log(7.0), 0.3, 4000))
    after = Hours.between(3, 20, 90).with_cases(own.tolist())
    assert after.median == pytest.approx(7.0, rel=0.03)
    assert after.width == pytest.approx(0.3, rel=0.05)


def test_one_route_worked_by_hand() -> None:
    # Controller dead, nothing encrypted: the raw read succeeds as its figure says, 14 of 20.
    assert plan_of([Route.RAW], FIGURES, CONTROLLER).success == pytest.approx(14 / 20)
    # No donor, no success.
    assert plan_of([Route.DONOR], FIGURES, CONTROLLER).success == 0
    # Encryption known with 3 of 20: 14/20 (17/20 + 3/20 times 0.1/20).
    unknown = Facts({Site.CONTROLLER: 1.0})
    assert plan_of([Route.RAW], FIGURES, unknown).success == pytest.approx(0.7 * (0.85 + 0.15 * 0.005))


def test_two_routes_worked_by_hand() -> None:
    # Donor first: 13/20; if it fails, 0.85 of 14/20 is left to the raw read.
    facts = Facts({Site.CONTROLLER: 1.0}, encrypts=False, donor=True)
    plan = plan_of([Route.DONOR, Route.RAW], FIGURES, facts)
    assert plan.success == pytest.approx(0.65 + 0.35 * 0.85 * 0.7)
    hours = FIGURES.routes[Route.DONOR].hours.mean + 0.35 * FIGURES.routes[Route.RAW].hours.mean
    assert plan.hours == pytest.approx(hours)


def test_plans_against_dice() -> None:
    """Cases drawn one by one, with nothing of the formulas."""
    rng = np.random.default_rng(11)
    facts = Facts({Site.CONNECTOR: 0.3, Site.CONTROLLER: 0.5, Site.NAND: 0.2})
    order = (Route.REPAIR, Route.DONOR, Route.RAW)
    wins, hours, runs = 0, 0.0, 20_000
    for _ in range(runs):
        site = list(facts.sites)[rng.choice(3, p=list(facts.sites.values()))]
        secret = rng.random() < FIGURES.encrypts.mean
        left = dict.fromkeys(Route, 1.0)
        for route in order:
            numbers = FIGURES.routes[route]
            hours += numbers.hours.mean
            chance = numbers.success[site].mean * (numbers.if_encrypted.mean if secret else 1)
            chance *= FIGURES.donor_found.mean if route is Route.DONOR else 1
            if rng.random() < chance * left[route]:
                wins += 1
                break
            left = {other: share * numbers.leaves.get(other, 0.0) for other, share in left.items()}
    plan = plan_of(order, FIGURES, facts)
    assert plan.success == pytest.approx(wins / runs, abs=4 * np.sqrt(0.25 / runs))
    assert plan.hours == pytest.approx(hours / runs, rel=0.02)


@settings(deadline=None, max_examples=30)
@given(
    st.lists(st.floats(0.01, 1), min_size=5, max_size=5),
    st.sampled_from([None, True, False]),
    st.sampled_from([None, True, False]),
    st.floats(1, 500),
)
def test_no_order_beats_the_chosen_one(
    weights: list[float], encrypts: bool | None, donor: bool | None, worth: float
) -> None:
    facts = Facts({site: weight / sum(weights) for site, weight in zip(Site, weights, strict=True)}, encrypts, donor)
    best = choose(FIGURES, facts, worth).best
    for count in range(4):
        for order in permutations([Route.REPAIR, Route.DONOR, Route.RAW], count):
            assert plan_of(order, FIGURES, facts, worth).score <= best.score + 1e-9


def test_an_encrypting_controller_makes_the_raw_route_futile() -> None:
    for site in Site:
        choice = choose(FIGURES, Facts({site: 1.0}, encrypts=True))
        assert Route.RAW not in choice.best.routes
        raw = next(one for one in choice.outlooks if one.route is Route.RAW)
        assert raw.success < 0.01
        assert "futile" in raw.remarks[0]


def test_a_broken_connector_on_a_sound_controller_makes_it_needless() -> None:
    choice = choose(FIGURES, Facts({Site.CONNECTOR: 0.97, Site.CONTROLLER: 0.03}))
    assert choice.first is Route.REPAIR
    assert choice.best.success > 0.9
    raw = next(one for one in choice.outlooks if one.route is Route.RAW)
    assert "needless" in raw.remarks[0]


def test_a_dead_controller_leads_to_the_raw_read_and_a_donor_would_change_that() -> None:
    choice = choose(FIGURES, CONTROLLER)
    assert choice.first is Route.RAW
    assert any(line.startswith("if a matching donor is at hand: donor would come first") for line in choice.changes)
    assert any(line.startswith("if the controller encrypts: ") for line in choice.changes)


def test_a_dead_memory_ends_the_work() -> None:
    choice = choose(FIGURES, Facts({Site.NAND: 1.0}))
    assert choice.first is Route.STOP
    assert choice.best.success == 0


def test_what_is_said_to_change_the_choice_does() -> None:
    facts = Facts({Site.CONTROLLER: 0.9, Site.SUPPLY: 0.1})
    choice = choose(FIGURES, facts)
    told = {line.split(":")[0] for line in choice.changes}
    for words, other in (
        ("if the controller encrypts", Facts(facts.sites, encrypts=True)),
        ("if a matching donor is at hand", Facts(facts.sites, donor=True)),
        ("if there is no donor", Facts(facts.sites, donor=False)),
    ):
        assert (choose(FIGURES, other).best.routes != choice.best.routes) == (words in told)


def test_intervals_hold_what_the_counts_allow() -> None:
    """Against draws of every count from its own Beta distribution."""
    rng = np.random.default_rng(7)
    facts = Facts({Site.CONTROLLER: 0.8, Site.SUPPLY: 0.2})
    donor = next(one for one in choose(FIGURES, facts).outlooks if one.route is Route.DONOR)
    numbers = FIGURES.routes[Route.DONOR]

    def draw(share: Share) -> np.ndarray:
        return rng.beta(share.good, share.of - share.good, 40_000)

    secret = draw(FIGURES.encrypts)
    plain = 0.8 * draw(numbers.success[Site.CONTROLLER]) + 0.2 * draw(numbers.success[Site.SUPPLY])
    drawn = plain * (1 - secret + secret * draw(numbers.if_encrypted)) * draw(FIGURES.donor_found)
    assert donor.interval == pytest.approx(tuple(np.quantile(drawn, [0.05, 0.95])), abs=0.015)


def test_places_of_the_fault_follow_the_odds() -> None:
    diagnosis = Diagnosis(usb2_stick())
    before = sites_of(diagnosis.odds(), diagnosis.circuit)
    assert sum(before.values()) == pytest.approx(1)
    diagnosis.add(Reading(Kind.FOUR_WIRE, ("C1.1", "C1.2"), 0.2, "ohm", 0.001))
    after = sites_of(diagnosis.odds(), diagnosis.circuit)
    assert after[Site.SUPPLY] > 0.8 > before[Site.SUPPLY]


# Files ------------------------------------------------------------------------------------------------------

CASES = """
[[case]]
number = "7"
route = "raw"
site = "controller"
success = true
hours = 9.0
encrypted = false

[[case]]
number = "8"
route = "raw"
site = "controller"
success = false
encrypted = true

[[case]]
number = "8"
route = "donor"
site = "controller"
success = true
hours = 30
encrypted = true
donor_found = true
"""


def test_the_lab_learns_from_its_closed_cases(tmp_path: Path) -> None:
    (tmp_path / "cases.toml").write_text(CASES)
    after = learned(FIGURES, load_cases(tmp_path / "cases.toml"))
    raw, before = after.routes[Route.RAW], FIGURES.routes[Route.RAW]
    # The failure on an encrypting controller says nothing against raw reads of others.
    assert raw.success[Site.CONTROLLER] == Share(15, 21)
    assert raw.success[Site.SUPPLY] == before.success[Site.SUPPLY]
    assert raw.if_encrypted == Share(before.if_encrypted.good, before.if_encrypted.of + 1)
    assert after.routes[Route.DONOR].if_encrypted == Share(6, 21)
    assert after.encrypts == Share(5, 23)
    assert after.donor_found == Share(13, 21)
    assert after.cases == 3
    assert raw.hours.median < before.hours.median
    assert after.routes[Route.DONOR].hours.median > FIGURES.routes[Route.DONOR].hours.median


def test_enough_failures_turn_the_choice() -> None:
    figures = FIGURES
    case = raw_case(success=False)
    assert choose(figures, CONTROLLER).first is Route.RAW
    assert choose(learned(figures, [case] * 200), CONTROLLER).first is not Route.RAW


def raw_case(*, success: bool) -> Case:
    return Case(number="9", route="raw", site=Site.CONTROLLER, success=success)


def test_the_shipped_file_can_be_saved_edited_and_read(tmp_path: Path) -> None:
    path = tmp_path / "figures.toml"
    path.write_text(default_text())
    assert load_figures(path) == FIGURES
    path.write_text(
        default_text().replace("controller = { good = 14, of = 20 }", "controller = { good = 19, of = 20 }")
    )
    assert load_figures(path).routes[Route.RAW].success[Site.CONTROLLER] == Share(19, 20)


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("good = 19, of = 20", "good = 20, of = 20", "less than"),
        ("hours = [0.5, 2.0, 6.0]", "hours = [2.0, 0.5, 6.0]", "rising"),
        ("raw = 0.97", "raw = 1.97", "shares between"),
        ("schema_version = 1", "schema_version = 2", "schema_version"),
        ("clock = { good = 17, of = 20 }", "", "repair.clock"),
        ("[repair]", "[repair", "no TOML"),
    ],
)
def test_impossible_figures_are_refused(tmp_path: Path, old: str, new: str, words: str) -> None:
    path = tmp_path / "figures.toml"
    assert old in default_text()
    path.write_text(default_text().replace(old, new))
    with pytest.raises(InputError, match=rf"figures\.toml: .*{words}"):
        load_figures(path)


@pytest.mark.parametrize(
    "text", ["[[case]]\nnumber = '1'", CASES.replace("9.0", "-1"), CASES.replace('"raw"', '"glue"')]
)
def test_impossible_cases_are_refused(tmp_path: Path, text: str) -> None:
    (tmp_path / "cases.toml").write_text(text)
    with pytest.raises(InputError, match=r"cases\.toml: case\.0"):
        load_cases(tmp_path / "cases.toml")
