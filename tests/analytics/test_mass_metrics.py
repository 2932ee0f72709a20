"""Mass metrics: the identities that hold between them, and the chain against its steps."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.mass_metrics import (
    ChainStep,
    MassIn,
    atom_economy,
    chain_atom_economy,
    chain_masses,
    mass_metrics,
)

masses = st.lists(
    st.builds(MassIn, st.floats(0.01, 1e4), st.sampled_from(["reagent", "solvent"]), st.booleans()), min_size=1
)


@given(masses, st.floats(0.01, 1e4))
def test_process_mass_intensity_is_the_e_factor_and_one(went_in: list[MassIn], product_g: float) -> None:
    found = mass_metrics(went_in, product_g)
    for boundary in (found.everything, found.without_water, found.without_water_and_solvents):
        assert boundary is not None
        assert boundary.process_mass_intensity == pytest.approx(boundary.e_factor + 1, rel=1e-9, abs=1e-9)
    assert found.everything is not None
    assert found.everything.input_g == pytest.approx(math.fsum(one.mass_g for one in went_in))


@given(masses, st.floats(0.01, 1e4), st.floats(0.01, 100.0))
def test_metrics_do_not_hang_on_the_scale(went_in: list[MassIn], product_g: float, times: float) -> None:
    small = mass_metrics(went_in, product_g)
    large = mass_metrics([replace(one, mass_g=times * one.mass_g) for one in went_in], times * product_g)
    assert (small.reaction_mass_efficiency or 0) == pytest.approx(large.reaction_mass_efficiency or 0, rel=1e-9)
    assert small.everything is not None
    assert large.everything is not None
    assert small.everything.process_mass_intensity == pytest.approx(large.everything.process_mass_intensity, rel=1e-9)


def test_water_of_the_reaction_counts_unless_the_figure_says_without() -> None:
    found = mass_metrics([MassIn(3.0), MassIn(1.0, water=True), MassIn(6.0, "solvent", water=True)], 2.0)
    assert found.reaction_mass_efficiency == 0.5
    assert found.reaction_mass_efficiency_without_water == pytest.approx(2 / 3)
    assert found.everything is not None
    assert found.without_water_and_solvents is not None
    assert (found.everything.input_g, found.without_water_and_solvents.input_g) == (10.0, 3.0)


def test_what_has_no_figure_says_why() -> None:
    assert mass_metrics([MassIn(3.0)], 0.0).reasons["everything"] == "no product"
    only_solvent = mass_metrics([MassIn(3.0, "solvent")], 1.0)
    assert only_solvent.reaction_mass_efficiency is None
    assert only_solvent.reasons["reaction_mass_efficiency"] == "no reagent"
    for wrong in ([MassIn(-1.0)], [MassIn(math.nan)]):
        with pytest.raises(ValueError, match="finite"):
            mass_metrics(wrong, 1.0)
    with pytest.raises(ValueError, match="reactants"):
        atom_economy((1, 18.0), [])


def test_the_chain_counts_what_was_bought_once() -> None:
    first = ChainStep(50.0, (MassIn(80.0), MassIn(200.0, "solvent")))
    side = ChainStep(10.0, (MassIn(30.0),))
    last = ChainStep(20.0, (MassIn(5.0),), upstream=((0, 40.0), (1, 10.0)))
    found = mass_metrics(chain_masses([first, side, last]), 1.0)
    expected = (5.0 + 40.0 / 50.0 * 280.0 + 30.0) / 20.0
    assert found.everything is not None
    assert found.everything.process_mass_intensity == pytest.approx(expected)


def test_two_lines_of_one_step_each_have_their_process_mass_intensity() -> None:
    # Of a line of steps, the intensities less the intermediate: PMI = PMI2 + r·(PMI1 − 1), worked by hand.
    one = ChainStep(50.0, (MassIn(100.0),))
    two = ChainStep(20.0, (MassIn(60.0),), upstream=((0, 40.0),))
    first = mass_metrics(one.went_in, 50.0).everything
    second = mass_metrics([MassIn(40.0), *two.went_in], 20.0).everything
    both = mass_metrics(chain_masses([one, two]), 1.0).everything
    assert first is not None
    assert second is not None
    assert both is not None
    handed_on = 40.0 / 20.0
    assert both.process_mass_intensity == pytest.approx(
        second.process_mass_intensity + handed_on * (first.process_mass_intensity - 1)
    )


def test_steps_that_do_not_lead_to_the_product_are_left_out() -> None:
    aside, last = ChainStep(0.0, (MassIn(9.0),)), ChainStep(2.0, (MassIn(4.0),))
    assert [one.mass_g for one in chain_masses([aside, last])] == [2.0]
    with pytest.raises(ValueError, match="step 0"):
        chain_masses([aside, replace(last, upstream=((0, 1.0),))])


def test_a_chain_has_the_atom_economy_of_its_overall_equation() -> None:
    # 2 A → B (100 of 120), B + C → D: A + A + C → D.
    first = ChainStep(1.0, product=(1, 100.0), reactants=((2, 60.0),))
    last = ChainStep(1.0, product=(1, 130.0), reactants=((1, 50.0),), made=((0, 1.0),))
    assert chain_atom_economy([first, last]) == pytest.approx(atom_economy((1, 130.0), [(2, 60.0), (1, 50.0)]))
    assert chain_atom_economy([replace(first, product=None), last]) is None
