"""The generated book against itself: valid to the last line, the same every time, and as true as it says.

The domain's outcome of every run is compared with the truth that the generator worked out on its own road; figures over
many runs are compared with the distribution that the yields were drawn from, at five standard errors.
"""

from __future__ import annotations

import itertools
import math
from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from service.domain.bill import need_of, theoretical_per_gram
from service.domain.formula import parse_formula
from service.domain.graph import in_order, route_faults
from service.domain.lot import Measured, Strength
from tests.world import World, iter_records, make_world
from tests.world.chemistry import REAGENTS, SUBSTANCES, molar_mass
from tests.world.options import FACTORS, SLIPS
from tests.world.reading import read_book
from tests.world.scale import TARE_G
from tests.world.shelf import used_too_early

WRITTEN = 1e-9
"""Relative agreement of two roads from the same text: rounding of floats, nothing more."""


def figures_agree(world: World) -> int:
    """Compare the outcome of every run with its truth; return how many were compared."""
    book = read_book(world.records)
    assert book.runs.keys() == world.truth.runs.keys()
    for code, truth in world.truth.runs.items():
        found = book.outcome(code)
        assert found.faults == ()
        assert found.theoretical_g == pytest.approx(truth.theoretical_g, rel=WRITTEN)
        assert found.batch_g == pytest.approx(truth.batch_g, rel=WRITTEN)
        assert found.key_lot is not None
        if truth.status == "finished":
            assert found.net_g == pytest.approx(truth.net_g, rel=WRITTEN)
            assert found.dry_g == pytest.approx(truth.dry_g, rel=WRITTEN)
            assert found.contained_g == pytest.approx(truth.contained_g, rel=WRITTEN)
        assert (found.yield_fraction is None) == (truth.written_yield is None)
        if truth.written_yield is not None:
            assert found.yield_fraction == pytest.approx(truth.written_yield, rel=WRITTEN)
    return len(book.runs)


@settings(max_examples=12, deadline=None)
@given(
    seed=st.integers(0, 2**32),
    routes=st.integers(1, 6),
    steps=st.integers(1, 7),
    runs=st.integers(1, 6),
    slips=st.sampled_from([0.0, 0.3]),
)
def test_every_book_is_valid_and_every_outcome_is_its_truth(
    seed: int, routes: int, steps: int, runs: int, slips: float
) -> None:
    world = make_world(
        seed, routes=routes, steps_per_route=steps, runs_per_step=runs, slips=slips, short=0.2, shuffled=True
    )
    assert figures_agree(world) == routes * steps * runs
    assert all(left >= 0 for _, left in world.balances.values())


@pytest.fixture(scope="module")
def world() -> World:
    return make_world(7, routes=8, steps_per_route=5, runs_per_step=30)


def test_the_same_seed_gives_the_same_book_and_another_another() -> None:
    assert make_world(3).records == make_world(3).records == list(iter_records(3))
    assert make_world(3).truth == make_world(3).truth
    assert make_world(3).records != make_world(4).records


def test_more_routes_change_none_of_the_others() -> None:
    few, many = make_world(3, routes=2), make_world(3, routes=3)
    assert [line for line in many.records if line in few.records] == few.records


def test_shuffling_changes_the_order_and_nothing_else() -> None:
    plain, mixed = make_world(3), make_world(3, shuffled=True)
    assert plain.records != mixed.records
    assert sorted(map(repr, plain.records)) == sorted(map(repr, mixed.records))
    assert plain.truth == mixed.truth


def test_routes_are_balanced_and_join(world: World) -> None:
    book = read_book(world.records)
    for route in book.routes.values():
        assert route_faults(route, book.materials) == ()
        assert {step.code for step in in_order(route)} == {step.code for step in route.steps}
    joins = [route for route in book.routes.values() if len(route.upstream) > len(route.steps) - 2]
    assert joins


def test_molar_masses_agree_with_the_formulas_that_are_written() -> None:
    for substance, (formula, _) in SUBSTANCES.items():
        assert parse_formula(formula).molar_mass_g_per_mol == pytest.approx(molar_mass(substance), rel=1e-9)


def test_bills_and_theoretical_amounts_a_gram_are_as_designed(world: World) -> None:
    book = read_book(world.records)
    for (route, code), truth in world.truth.steps.items():
        step = book.routes[route].step(code)
        assert step is not None
        strengths = {code: Strength(assay=Measured(reagent.strength)) for code, reagent in REAGENTS.items()}
        strengths["sulfuric-acid"] = Strength(molarity=Measured(2.0), density=Measured(1.12))
        strengths["linker"] = Strength()
        strengths["hydrochloric-acid"] = Strength(assay=Measured(0.20), density=Measured(1.10))
        key = Measured(truth.key_strength)
        strengths[step.key_input] = Strength(contents={step.analyte: key}) if step.analyte else Strength(assay=key)
        found, reason = theoretical_per_gram(step, book.materials, strengths)
        assert found is not None, reason
        assert found == pytest.approx(truth.theoretical_per_g, rel=1e-9)
        for line in step.bill:
            if line.material in truth.equivalents:
                grams = need_of(step, line, book.materials, strengths).per_g
                reagent = REAGENTS[line.material]
                per_unit = {"g": 1.0, "mL": reagent.density or 0.0, "mol": reagent.molar}[reagent.unit]
                assert grams == pytest.approx(truth.reagent_units_per_g(line.material) * per_unit, rel=1e-9)


def test_a_book_has_the_variety_of_a_bench(world: World) -> None:
    book = read_book(world.records)
    charges = [charge for run in book.runs.values() for charge in run.charges]
    outturns = [outturn for run in book.runs.values() for outturn in run.outturns]
    assert {charge.amount.dimension for charge in charges} == {"mass", "volume", "amount"}
    assert {step.basis for step in world.truth.steps.values()} == {
        "stoichiometric",
        "content",
        "recovery",
        "mass-ratio",
    }
    assert {len(outturn.gross) for outturn in outturns} == {0, 1, 2, 3}
    assert {outturn.role for outturn in outturns} == {"product", "recovered", "waste"}
    assert {run.status for run in book.runs.values()} == {"open", "finished", "failed", "abandoned"}
    crops = Counter(sum(row.role == "product" for row in run.outturns) for run in book.runs.values())
    assert crops[2] > 10
    pooled = {pool.lot for pool in book.records["pools"].values()}
    assert pooled
    assert pooled <= {charge.lot for charge in charges}
    assert any(run.excluded for run in book.runs.values())
    limiting = {book.outcome(code).limiting_reagent for code in book.runs}
    assert limiting & REAGENTS.keys()
    started = [run.started_on for run in book.runs.values() if run.started_on is not None]
    assert 600 < (max(started) - min(started)).days < 760


def test_no_lot_is_used_before_it_is_there(world: World) -> None:
    assert used_too_early(world.records) == []


def test_statistics_are_those_of_the_runs_as_written(world: World) -> None:
    for route, step in world.truth.steps:
        runs = [run for run in world.truth.runs.values() if (run.route, run.step) == (route, step)]
        found = world.truth.statistics(route, step)
        assert found.counted + found.failed + found.abandoned + found.open + found.left_out == len(runs) == 30
        yields = np.array([run.written_yield for run in runs if run.counted], dtype=float)
        assert found.mean == pytest.approx(yields.mean())
        assert found.sd == pytest.approx(yields.std(ddof=1))
        assert [found.q1, found.median, found.q3] == pytest.approx(list(np.percentile(yields, [25, 50, 75])))
        assert found.ratio_of_totals is not None
        assert found.ratio_usable is not None
        assert found.failure_rate is not None
        # A failed run has a theoretical amount and no product, so it can only lower the ratio.
        assert (found.ratio_of_totals < found.ratio_usable) == (found.failure_rate > 0)


def test_yields_come_from_the_distribution_that_is_stated() -> None:
    world = make_world(11, routes=4, steps_per_route=3, runs_per_step=1500, operator_effect=0.0, short=0.0)
    for (route, code), step in world.truth.steps.items():
        runs = [run for run in world.truth.runs.values() if (run.route, run.step) == (route, code)]
        yields = np.array([run.true_yield for run in runs if run.true_yield is not None])
        assert yields.mean() == pytest.approx(step.mean, abs=5 * step.sd / math.sqrt(yields.size))
        assert yields.std() == pytest.approx(step.sd, rel=0.15)
        tried = [run for run in runs if run.status in ("finished", "failed")]
        failed = sum(run.status == "failed" for run in tried) / len(tried)
        assert failed == pytest.approx(step.failing, abs=5 * math.sqrt(0.13 / len(tried)))
        # What was written differs from what was true by the balance's last digit alone.
        written = np.array([run.written_yield for run in runs if run.true_yield is not None], dtype=float)
        assert written.mean() == pytest.approx(yields.mean(), rel=0.01)


def test_effects_are_there_when_planted_and_not_otherwise() -> None:
    plain = make_world(5, routes=1)
    assert set(plain.truth.operators.values()) == {0.0}
    assert {lot.effect for lot in plain.truth.lots.values()} == {0.0}
    world = make_world(5, routes=1, steps_per_route=1, runs_per_step=4000, operators=3, operator_effect=0.8)
    step = world.truth.steps["r0", "step-1"]
    for operator, effect in world.truth.operators.items():
        mine = [run for run in world.truth.runs.values() if run.operator == operator and run.true_yield is not None]
        logits = np.array([math.log(run.true_yield / (1 - run.true_yield)) for run in mine if run.true_yield])
        assert logits.mean() == pytest.approx(step.mu + effect, abs=5 * step.sigma / math.sqrt(logits.size))
    shared = make_world(5, routes=1, steps_per_route=1, runs_per_step=4000, lot_effect=0.8)
    lots = Counter(run.key_lot for run in shared.truth.runs.values() if run.true_yield is not None)
    lot, count = lots.most_common(1)[0]
    logits = np.array(
        [
            math.log(run.true_yield / (1 - run.true_yield))
            for run in shared.truth.runs.values()
            if run.key_lot == lot and run.true_yield is not None
        ]
    )
    mu, sigma = shared.truth.steps["r0", "step-1"].mu, shared.truth.steps["r0", "step-1"].sigma
    assert logits.mean() == pytest.approx(mu + shared.truth.lots[lot].effect, abs=5 * sigma / math.sqrt(count))


def test_a_slip_is_off_by_what_its_name_says() -> None:
    assert make_world(9).truth.slips() == {}
    world = make_world(9, runs_per_step=40, slips=0.4)
    assert figures_agree(world)
    planted = world.truth.slips()
    assert set(planted.values()) == set(SLIPS)
    for code, slip in planted.items():
        run = world.truth.runs[code]
        assert run.written_yield is not None
        assert run.true_yield is not None
        off = run.written_yield / run.true_yield
        if slip == "tare left in":
            net_g = run.net_g - TARE_G
            assert off == pytest.approx(1 + TARE_G / net_g, rel=0.01)
        elif slip == "assay twice":
            assert off == pytest.approx(run.contained_g / run.dry_g, rel=0.01)
        else:
            assert off == pytest.approx(FACTORS[slip], rel=0.01)


def test_standard_cost_forwards_is_standard_cost_backwards(world: World) -> None:
    # Backwards: cost a gram by recursion. Forwards: a gram of feed goes down the line and gathers what it is charged.
    lines = [route for route in {name for name, _ in world.truth.steps} if not any_branch(world, route)]
    assert len(lines) >= 4
    for route in lines:
        grams, spent = 1.0, world.truth.prices[world.truth.steps_of(route)[0].key]
        for step in world.truth.steps_of(route):
            per_g = sum(step.reagent_units_per_g(code) * world.truth.prices[code] for code in step.equivalents)
            spent += grams * (per_g + step.water_ml_per_g * world.truth.prices["water"])
            grams *= (1 - step.failing) * step.mean * step.theoretical_per_g / step.product_strength
        last = world.truth.steps_of(route)[-1].code
        assert world.truth.standard_cost(route)[last] == pytest.approx(spent / grams)


def any_branch(world: World, route: str) -> bool:
    """Whether a step of the route takes a material from a second branch."""
    return any(step.branch is not None for step in world.truth.steps_of(route))


def test_a_campaign_comes_to_the_product_of_its_ratios(world: World) -> None:
    for route in ("r0", "r1", "r3"):
        steps = world.truth.steps_of(route)
        made = world.truth.simulate(route, {steps[0].key: 100.0}, trials=40_000)
        expected = 100.0 * math.prod(step.ratio for step in steps)
        assert made.mean() == pytest.approx(expected, abs=5 * made.std() / math.sqrt(made.size))
        nothing = 1 - math.prod(1 - step.failing for step in steps)
        assert (made == 0).mean() == pytest.approx(nothing, abs=0.01)
        batches = {step.code: 4 for step in steps}
        spread = world.truth.simulate(route, {steps[0].key: 100.0}, batches=batches, trials=40_000)
        assert spread.mean() == pytest.approx(expected, rel=0.03)
        assert spread.std() < made.std()


def test_where_branches_meet_the_scarcer_decides(world: World) -> None:
    steps = world.truth.steps_of("r2")
    made_here = {step.product for step in steps}
    feeds = [step.key for step in steps if step.key not in made_here]
    assert len(feeds) == 2
    plenty = world.truth.simulate("r2", dict.fromkeys(feeds, 1e6))
    for scarce in feeds:
        short = world.truth.simulate("r2", {feed: 1.0 if feed == scarce else 1e6 for feed in feeds})
        assert np.all(short <= plenty)
        assert short.mean() < plenty.mean() / 100


def test_a_large_book_streams() -> None:
    lines = iter_records(1, routes=1000, runs_per_step=250)
    first = list(itertools.islice(lines, 5000))
    assert sum(line["kind"] == "run" for line in first) > 3000
