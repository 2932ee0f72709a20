"""Plans against the truth: what was promised with 90 % is what imagined campaigns at the true yields come to."""

from __future__ import annotations

import numpy as np
import pytest

from service.domain.route import MASS_RATIO
from tests.answer.desk import Desk
from tests.world import World


def test_the_promise_is_kept(large: Desk, large_world: World) -> None:
    """25 routes with 50 runs a step, begun from nothing, in batches as they usually were.

    The truth knows what the record only estimates, so that one route may fall short and another be generous. Their mean
    is held to 4 points below what was asked, each route to 15; a plan at the mean yields reaches in about half.
    """
    reached, at_the_mean = [], []
    for number in range(25):
        route = f"r{number}"
        steps = large_world.truth.steps_of(route)
        last = steps[-1]
        target_g = 0.5 * last.batch_g * last.mean * last.gross_per_g
        found = large.plan(route, target_g, stock="none", trials=4096)
        assert found["p_reach"] >= 0.9
        feeds = {line["material"]: line["amount_g"] for line in found["starting_materials"]}
        assert feeds.keys() == {step.key for step in steps} - {step.product for step in steps}
        batches = {line["step"]: line["batches"] for line in found["steps"]}
        dry_g = 1.0 if last.basis == MASS_RATIO else 1 - 0.4 * 0.01
        made = large_world.truth.simulate(route, feeds, batches=batches, trials=4000) * dry_g
        reached.append(float((made >= target_g).mean()))
        naive = {line["material"]: line["amount_g"] for line in found["at_the_mean"]["starting_materials"]}
        made = large_world.truth.simulate(route, naive, trials=4000) * dry_g
        at_the_mean.append(float((made >= target_g).mean()))
    assert np.mean(reached) >= 0.86
    assert min(reached) >= 0.75
    assert np.mean(reached) <= 0.97
    assert np.mean(at_the_mean) <= 0.65


@pytest.mark.parametrize("confidence", [0.5, 0.8, 0.95])
def test_other_confidences(confidence: float, large: Desk, large_world: World) -> None:
    reached = []
    for number in range(0, 25, 2):
        route = f"r{number}"
        last = large_world.truth.steps_of(route)[-1]
        found = large.plan(route, 10.0, confidence=confidence, stock="none", trials=4096)
        feeds = {line["material"]: line["amount_g"] for line in found["starting_materials"]}
        batches = {line["step"]: line["batches"] for line in found["steps"]}
        made = large_world.truth.simulate(route, feeds, batches=batches, trials=4000)
        reached.append(float((made >= 10.0 / (1.0 if last.basis == MASS_RATIO else 0.996)).mean()))
    assert np.mean(reached) == pytest.approx(confidence, abs=0.08)
