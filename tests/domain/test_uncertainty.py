"""Trials of a very uncertain record: drawn all at once, they come to what each of them comes to by itself."""

from __future__ import annotations

import math
import random
import statistics

import pytest

from service.domain.formula import parse_formula
from service.domain.material import Material
from service.domain.outcome import _Reckoning, outcome_of
from service.domain.quantity import parse_quantity
from service.domain.reaction import Reaction
from service.domain.route import BillLine, Step
from service.domain.run import FINISHED, Charge, Outturn, Run
from service.domain.uncertainty import LARGE_RELATIVE_U, TRIALS, _draws, least, propagate, ratio, total

FORMULAS = {"blue-vitriol": "CuSO4.5H2O", "soda-ash": "Na2CO3", "malachite": "Cu2CO3(OH)2"}
MATERIALS = {code: Material(code, code, formula=parse_formula(formula)) for code, formula in FORMULAS.items()}
STEP = Step(
    "carbonate", "carbonate", "stoichiometric", key_input="blue-vitriol", product="malachite",
    reaction=Reaction({"blue-vitriol": 2, "soda-ash": 2}, {"malachite": 1}),
    bill=(BillLine("soda-ash"),),
)  # fmt: skip


def run_of(vitriol: str, soda: str, net: str) -> Run:
    """A run whose amounts are as uncertain as they are written."""
    grams = lambda text: parse_quantity(text, ("mass",))
    charges = (Charge(grams(vitriol), material="blue-vitriol"), Charge(grams(soda), material="soda-ash"))
    return Run("R-1", "oxide", "carbonate", FINISHED, charges=charges, outturns=(Outturn("malachite", net=grams(net)),))


def test_all_trials_at_once_are_each_trial_by_itself() -> None:
    """The same draws, one row of plain numbers after another through the same sums."""
    reckoning = _Reckoning(run_of("0.1 g", "0.05 g", "0.04 g"), STEP, MATERIALS, {})
    values, us = reckoning.inputs.values, reckoning.inputs.us
    assert any(u > LARGE_RELATIVE_U * value for value, u in zip(values, us, strict=True))
    draws = [_draws(place).tolist() for place in range(len(values))]
    rows = [
        reckoning._numbers([v + u * z for v, u, z in zip(values, us, row, strict=True)])
        for row in zip(*draws, strict=True)
    ]
    for u, column in zip(propagate(reckoning._numbers, values, us), zip(*rows, strict=True), strict=True):
        told = [number for number in column if math.isfinite(number)]
        assert u == pytest.approx(statistics.stdev(told), rel=1e-9, abs=1e-12)


def test_other_draws_come_to_the_same_within_their_error() -> None:
    """Another generator, five times as many trials, one after another: JCGM 101:2008, 7.6."""
    source, trials = random.Random(4), 5 * TRIALS
    reckoning = _Reckoning(run_of("0.1 g ± 0.021 g", "0.30 g", "0.040 g"), STEP, MATERIALS, {})
    values, us = reckoning.inputs.values, reckoning.inputs.us
    rows = [
        reckoning._numbers([source.gauss(v, u) if u else v for v, u in zip(values, us, strict=True)])
        for _ in range(trials)
    ]
    error = math.sqrt(0.5 / TRIALS + 0.5 / trials)
    theoretical, net, *_ = zip(*rows, strict=True)
    found = propagate(reckoning._numbers, values, us)
    assert found[0] == pytest.approx(statistics.stdev(theoretical), rel=5 * error)
    assert found[1] == pytest.approx(statistics.stdev(net), rel=5 * error)


def test_trials_of_something_nearly_linear_agree_with_the_law_of_propagation() -> None:
    function = lambda x: (x[0] + 2.0 * x[1],)
    (drawn,) = propagate(function, [1.0, 1.0], [0.3, 0.1])
    assert drawn == pytest.approx(math.hypot(0.3, 0.2), rel=5 / math.sqrt(2 * TRIALS))


def test_an_amount_that_may_be_nothing_has_an_uncertainty_all_the_same() -> None:
    """Draws below zero have no yield; the others tell of its spread, and no NaN is kept."""
    found = outcome_of(run_of("0.1 g ± 0.1 g", "0.30 g", "0.040 g"), STEP, MATERIALS, {})
    assert found.yield_u is not None
    assert math.isfinite(found.yield_u)
    assert found == outcome_of(run_of("0.1 g ± 0.1 g", "0.30 g", "0.040 g"), STEP, MATERIALS, {})


def test_sums_shares_and_minima_are_those_of_each_trial() -> None:
    first, second = _draws(0), _draws(1)
    pairs = [*zip(first.tolist(), second.tolist(), strict=True)]
    assert total([1.0, first, second]).tolist() == pytest.approx([math.fsum((1.0, *pair)) for pair in pairs])  # type: ignore[attr-defined]
    assert least([0.5, first, second]).tolist() == [min(0.5, *pair) for pair in pairs]  # type: ignore[attr-defined]
    shares = ratio(first, second).tolist()  # type: ignore[attr-defined]
    assert shares == pytest.approx([a / b if b > 0.0 else math.nan for a, b in pairs], nan_ok=True)


def test_an_input_known_for_certain_carries_nothing() -> None:
    assert propagate(lambda x: (x[0], x[1]), [2.0, 1.0], [0.0, 0.5])[0] == 0.0
