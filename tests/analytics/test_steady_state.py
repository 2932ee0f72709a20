"""Recovered material fed back: by hand, beside the linear system solved as it stands, and beside its own balance."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.analytics.money.standard_cost import CostLine, StepCost, standard_cost
from service.analytics.money.steady_state import Circulation, SteadyState, steady_state, with_anew

PRICES = {"feed": 3.0, "solvent": 0.4, "salt": 0.05}


def cost_lines(takes: dict[str, float], makers: dict[str, int], ratio: float, code: str) -> StepCost:
    """A step that pays for all that it takes in, at PRICES."""
    lines = tuple(CostLine(m, grams * PRICES[m]) for m, grams in takes.items() if m not in makers)
    upstream = tuple((makers[m], grams) for m, grams in takes.items() if m in makers)
    return StepCost(code, ratio, lines, upstream, ratio_good=ratio)


def fed_back(circles: list[Circulation], state: SteadyState) -> list[StepCost]:
    steps = [
        cost_lines(dict(each.takes), dict(each.makers), each.ratio_per_g or 1.0, f"s{place}")
        for place, each in enumerate(circles)
    ]
    return [with_anew(step, anew, each.makers) for step, anew, each in zip(steps, state.anew, circles, strict=True)]


@pytest.mark.parametrize("share", [0.0, 0.05, 0.4, 0.9])
def test_the_share_that_recovered_material_carries_cancels(share: float) -> None:
    """Unknown: the cost T of a run, of a gram of product, and of a gram of what comes back at ``share`` of T."""
    takes, back_g, product_g = {"feed": 1.0, "solvent": 8.0}, 6.5, 0.7
    bought = takes["feed"] * PRICES["feed"] + (takes["solvent"] - back_g) * PRICES["solvent"]
    #            T            product      recovered
    system = [
        [1.0, 0.0, -back_g],  # T = what is bought + what comes back at its cost
        [1.0 - share, -product_g, 0.0],  # the product carries the rest of T
        [share, 0.0, -back_g],
    ]  # what comes back carries its share of T
    _, per_g, _ = np.linalg.solve(np.array(system), np.array([bought, 0.0, 0.0]))
    circle = Circulation(product_g, takes, {"solvent": back_g}, {})
    (step,) = fed_back([circle], steady_state([circle]))
    assert standard_cost([step]).cost_per_g == pytest.approx(per_g, rel=1e-12)


def test_key_input_that_comes_back_is_worth_what_comes_in() -> None:
    first = Circulation(0.5, {"feed": 1.0}, {"feed": 0.2}, {})
    second = Circulation(0.8, {"crude": 1.0, "solvent": 2.0}, {"crude": 0.25}, {"crude": 0})
    circles = [first, second]
    found = standard_cost(fed_back(circles, steady_state(circles)))
    crude = 0.8 * 3.0 / 0.5
    assert found.by_step[0].product_cost_per_g == pytest.approx(crude)
    assert found.cost_per_g == pytest.approx((0.75 * crude + 2.0 * 0.4) / 0.8)
    assert found.by_step[0].product_g == pytest.approx(0.75 / 0.8)
    assert math.fsum(found.by_material.values()) == pytest.approx(found.cost_per_g)
    # What a better ratio saves is told exactly: nothing goes from one step into the need of another.
    better = [Circulation(0.6, first.takes, first.gives_back, {}), second]
    saved = found.cost_per_g - standard_cost(fed_back(better, steady_state(better))).cost_per_g  # type: ignore[operator]
    share = found.by_step[0].share
    assert saved == pytest.approx(found.cost_per_g * share * (1 - 0.5 / 0.6))  # type: ignore[operator]


def test_what_one_step_gives_back_another_takes_in_never_more_than_it_needs() -> None:
    first = Circulation(1.0, {"feed": 1.0, "solvent": 2.0}, {}, {})
    second = Circulation(0.5, {"crude": 1.0, "salt": 1.0}, {"solvent": 1.5, "salt": 4.0, "tar": 9.0}, {"crude": 0})
    state = steady_state([first, second])
    assert state.anew == ({"solvent": pytest.approx(0.25)}, {"salt": 0.0})
    # 2 g of key input of the second step stand behind a gram: 3 g of salt a gram too much, and tar that nobody wants.
    assert state.beyond_need_g == {"salt": pytest.approx(6.0), "tar": pytest.approx(18.0)}
    more = Circulation(0.5, second.takes, {"solvent": 5.0}, {"crude": 0})
    assert steady_state([first, more]) == SteadyState(({"solvent": 0.0}, {}), {"solvent": pytest.approx(6.0)})


def test_what_a_step_gives_back_of_what_is_made_after_it_is_not_fed_back() -> None:
    first = Circulation(1.0, {"feed": 1.0}, {"crude": 0.3}, {})
    second = Circulation(0.5, {"crude": 1.0}, {}, {"crude": 0})
    assert steady_state([first, second]) == SteadyState(({}, {}), {"crude": pytest.approx(0.6)})


def test_without_a_product_only_the_need_of_the_step_itself_is_covered() -> None:
    first = Circulation(None, {"feed": 1.0}, {"feed": 0.4, "salt": 1.0}, {})
    assert steady_state([first]) == SteadyState(({"feed": pytest.approx(0.6)},), {})


amounts = st.floats(0.0, 3.0)


@st.composite
def chains(draw: st.DrawFn) -> list[Circulation]:
    """Up to four steps in a line, which take and give back bought materials and what the step before made."""
    steps: list[Circulation] = []
    for place in range(draw(st.integers(1, 4))):
        key = f"i{place - 1}" if place else "feed"
        takes = {key: 1.0} | {m: draw(amounts) for m in ("solvent", "salt")}
        if place > 1 and draw(st.booleans()):
            takes["i0"] = draw(st.floats(0.1, 2.0))
        back = {m: draw(amounts) for m in ("solvent", "salt")}
        back |= {f"i{made}": draw(st.floats(0.0, 0.9)) for made in range(place) if draw(st.booleans())}
        makers = {m: int(m[1:]) for m in takes if m.startswith("i")}
        steps.append(Circulation(draw(st.floats(0.2, 1.5)), takes, back, makers))
    return steps


@given(chains())
def test_the_linear_system_of_what_is_made_and_bought_gives_the_same_cost(circles: list[Circulation]) -> None:
    """Made: what later steps take, less what they give back. Where that is below 0, more comes back than goes in."""
    count = len(circles)
    balance, wanted = np.eye(count), np.zeros(count)
    wanted[-1] = 1.0
    for maker in range(count - 1):
        for taker, step in enumerate(circles[maker + 1 :], maker + 1):
            name = f"i{maker}"
            balance[maker, taker] -= (step.takes.get(name, 0.0) - step.gives_back.get(name, 0.0)) / step.ratio_per_g
    made_g = np.linalg.solve(balance, wanted)
    fed_g = made_g / [step.ratio_per_g for step in circles]
    bought = {
        m: sum(g * (s.takes.get(m, 0.0) - s.gives_back.get(m, 0.0)) for g, s in zip(fed_g, circles, strict=True))
        for m in PRICES
    }
    state = steady_state(circles)
    found = standard_cost(fed_back(circles, state))
    assert found.cost_per_g is not None
    assert math.fsum(found.by_material.values()) == pytest.approx(found.cost_per_g)
    if min(made_g) > 0 and min(bought.values()) >= 0:
        assert found.cost_per_g == pytest.approx(sum(g * PRICES[m] for m, g in bought.items()), rel=1e-9, abs=1e-12)
        assert {m: g for m, g in state.beyond_need_g.items() if g > 1e-9} == {}
        assert [step.product_g for step in found.by_step] == pytest.approx(list(made_g), rel=1e-9, abs=1e-12)


@given(chains())
def test_nothing_is_fed_back_twice_and_nothing_beyond_need(circles: list[Circulation]) -> None:
    """What comes back is fed back or beyond need, to the gram; no need is below 0, none grows."""
    state = steady_state(circles)
    once = standard_cost([cost_lines(dict(c.takes), dict(c.makers), c.ratio_per_g or 1.0, "s") for c in circles])
    found = standard_cost(fed_back(circles, state))
    assert found.cost_per_g <= once.cost_per_g * (1 + 1e-12)  # type: ignore[operator]
    fed_g = [step.key_input_g or 0.0 for step in found.by_step]
    for material in {m for c in circles for m in (*c.takes, *c.gives_back)}:
        shares = [anew.get(material, 1.0) for anew in state.anew]
        assert all(0.0 <= share <= 1.0 for share in shares)
        back = sum(g * c.gives_back.get(material, 0.0) for g, c in zip(fed_g, circles, strict=True))
        used = sum(
            g * c.takes.get(material, 0.0) * (1 - share) for g, c, share in zip(fed_g, circles, shares, strict=True)
        )
        assert used + state.beyond_need_g.get(material, 0.0) == pytest.approx(back, rel=1e-9, abs=1e-9)
