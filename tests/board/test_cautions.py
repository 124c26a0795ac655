import math

import pytest

from deadstick.board.cautions import CAUTIONS, DEFER, Step, cautions_for

BOLTZMANN_EV = 8.617333e-5


def test_every_caution_has_a_step_a_text_and_a_source() -> None:
    assert all(caution.steps and len(caution.text) > 40 and len(caution.source) > 10 for caution in CAUTIONS)
    assert len({caution.subject for caution in CAUTIONS}) == len(CAUTIONS)


@pytest.mark.parametrize("step", list(Step))
def test_every_step_has_its_cautions_once(step: Step) -> None:
    found = cautions_for([step, step.value])
    assert found
    assert len(found) == len(set(found))
    assert all(step in caution.steps for caution in found)


@pytest.mark.parametrize(
    ("subject", "steps"),
    [
        ("lithium cell", {Step.OPEN, Step.POWER, Step.INJECT, Step.LIFT, Step.LIFT_NAND}),
        ("current limit", {Step.POWER, Step.INJECT}),
        ("static", {Step.OPEN, Step.PROBE, Step.LIFT}),
        ("flux fume", {Step.LIFT, Step.LIFT_NAND}),
        ("hot air", {Step.LIFT, Step.LIFT_NAND}),
        ("hot parts", {Step.POWER, Step.INJECT, Step.THERMAL}),
        ("heat against data", {Step.LIFT_NAND}),
        ("moisture against data", {Step.LIFT_NAND}),
    ],
)
def test_cautions_stand_where_they_matter(subject: str, steps: set[Step]) -> None:
    (caution,) = (one for one in CAUTIONS if one.subject == subject)
    assert steps <= caution.steps


def test_both_sides_of_the_dispute_about_heat_are_quoted() -> None:
    (heat,) = (one for one in CAUTIONS if one.subject == "heat against data")
    assert "10.1016/j.diin.2017.01.011" in heat.source
    assert "10.15394/jdfsl.2018.1545" in heat.source


def test_a_bake_at_125_degrees_ages_a_chip_by_decades() -> None:
    # Arrhenius with 1.1 eV, as in the accelerated times of JESD218: 24 h at 125 C in years at 30 C.
    factor = math.exp(1.1 / BOLTZMANN_EV * (1 / 303.15 - 1 / 398.15))
    years = factor * 24 / 24 / 365.25
    assert 20 < years < 100
    (moisture,) = (one for one in CAUTIONS if one.subject == "moisture against data")
    assert "decades" in moisture.text


def test_all_defer_to_rules_and_to_qualified_people() -> None:
    assert "rules" in DEFER
    assert "qualified" in DEFER
    with pytest.raises(ValueError, match="dance"):
        cautions_for(["dance"])
