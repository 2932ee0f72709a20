"""What drives a yield: planted effects are found, and none where none was planted."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.answer.drivers import drivers_of
from service.answer.run_filter import RunFilter
from tests.answer.desk import TODAY, Desk, named
from tests.world import World, make_world


def drivers(desk: Desk, route: str, step: str, **asked: Any) -> dict[str, Any]:
    with desk.opened() as book:
        return drivers_of(book, route, step, **{"as_of": TODAY, **asked})


def test_a_planted_operator_is_found_and_drawn_towards_the_truth(desk: Desk) -> None:
    world = make_world(21, routes=1, steps_per_route=1, runs_per_step=60, operator_effect=0.8)
    desk.load(world)
    found = drivers(desk, "r0", "step-1")
    operator = named(found["factors"], factor="operator")
    assert operator["found"]
    assert not any(each["found"] for each in found["factors"] if each["factor"] not in ("operator",))
    runs = [r for r in world.truth.runs.values() if r.counted]
    assert operator["runs"] == len(runs) == found["rests_on"]["runs"]
    logs = {m: [np.log(r.written_yield) for r in runs if r.operator == m] for m in world.truth.operators}
    assert operator["p"] == pytest.approx(stats.f_oneway(*logs.values()).pvalue, rel=1e-6)
    told = {line["group"]: line for line in found["effects"] if line["factor"] == "operator"}
    # The order of operators is that of their true effects, and each ratio lies between no difference and the plain one.
    assert sorted(told, key=lambda m: told[m]["ratio"]) == sorted(told, key=world.truth.operators.__getitem__)
    for name, line in told.items():
        others = np.mean([np.mean(logs[m]) for m in logs if m != name])
        plain = np.exp(np.mean(logs[name]) - others)
        assert min(1.0, plain) - 0.03 <= line["ratio"] <= max(1.0, plain) + 0.03
        assert line["low"] < line["ratio"] < line["high"]
        assert line["runs"] == len(logs[name])
        assert f"{line['ratio']:.2f} ± {line['ratio_u']:.2f} of the others" in line["detail"]


def test_a_planted_lot_is_found_and_what_goes_with_it_is_named(desk: Desk) -> None:
    world = make_world(22, routes=1, steps_per_route=1, runs_per_step=70, lot_effect=0.8)
    desk.load(world)
    found = drivers(desk, "r0", "step-1")
    key = world.truth.steps["r0", "step-1"].key
    lot = named(found["factors"], factor=f"lot:{key}")
    assert lot["found"]
    assert lot["share"] > 0.3
    assert lot["material"] == key
    assert not named(found["factors"], factor="operator")["found"]
    told = [line for line in found["effects"] if line["factor"] == f"lot:{key}" and line["runs"] >= 5]
    effects = [world.truth.lots[line["group"]].effect for line in told]
    assert np.corrcoef(effects, [np.log(line["ratio"]) for line in told])[0, 1] > 0.8
    # Lots follow each other in time, so a month's effect and a lot's look alike; and a lot has one supplier.
    assert "month" in lot["confounded_with"]
    pairs = [set(each["groupings"]) for each in found["confounded"]]
    assert {f"lot:{key}", "month"} in pairs
    supplier = next(each for each in found["confounded"] if set(each["groupings"]) == {f"lot:{key}", f"supplier:{key}"})
    assert supplier["apart"] == 0.0
    assert supplier["detail"].startswith(f"all runs of one lot:{key} are of one supplier:{key}")
    assert found["shares_add"] is False
    assert any("do not add" in note for note in found["notes"])


def test_suppliers_are_judged_over_lots_so_that_a_good_lot_is_no_good_supplier(desk: Desk) -> None:
    alarms = 0
    for seed in range(3):
        desk_of = Desk(desk.database, f"lots-{seed}").load(
            make_world(30 + seed, routes=1, steps_per_route=1, runs_per_step=60, lot_effect=0.8)
        )
        found = drivers(desk_of, "r0", "step-1")
        suppliers = [each for each in found["factors"] if each["factor"].startswith("supplier:")]
        assert suppliers
        assert all(each["judged_over"] == "lots" for each in suppliers)
        alarms += any(each["found"] for each in suppliers)
    assert alarms <= 1


def test_a_planted_supplier_is_found(desk: Desk) -> None:
    world = make_world(41, routes=1, steps_per_route=1, runs_per_step=150, suppliers=2, supplier_effect=1.0)
    desk.load(world)
    found = drivers(desk, "r0", "step-1")
    supplier = named(found["factors"], factor=f"supplier:{world.truth.steps['r0', 'step-1'].key}")
    assert supplier["found"]
    better = max(world.truth.suppliers, key=world.truth.suppliers.__getitem__)
    told = [line for line in found["effects"] if line["factor"] == supplier["factor"]]
    assert max(told, key=lambda line: line["ratio"])["group"] == better


def test_nothing_is_found_where_nothing_was_planted(large: Desk, large_world: World) -> None:
    steps = list(large_world.truth.steps)
    found = [drivers(large, *step) for step in steps]
    alarms = sum(any(each["found"] for each in answer["factors"]) for answer in found)
    assert alarms <= 11  # of 100 steps, each 5 % over all its groupings
    assert sum(named(answer["factors"], factor="operator")["p"] < 0.1 for answer in found) <= 20
    held = [line["low"] <= 1.0 <= line["high"] for answer in found for line in answer["effects"]]
    assert np.mean(held) > 0.9


def test_the_part_of_weighing(desk: Desk) -> None:
    world = make_world(3, routes=1, steps_per_route=1, runs_per_step=30)
    desk.load(world)
    found = drivers(desk, "r0", "step-1")
    with desk.opened() as book:
        columns = book.columns
        counted = columns.is_word("status", "finished") & ~columns.excluded
        share = (columns.yield_u[counted] ** 2).mean() / columns.yields[counted].var(ddof=1)
    assert found["measurement_share"] == pytest.approx(share, rel=1e-9)
    assert found["process_share"] == pytest.approx(1 - share, rel=1e-9)


def test_what_cannot_be_told_is_null_with_a_reason(desk: Desk) -> None:
    world = make_world(3, routes=1, steps_per_route=1, runs_per_step=20, operators=1)
    desk.load(world)
    found = drivers(desk, "r0", "step-1")
    operator = named(found["factors"], factor="operator")
    assert (operator["share"], operator["found"], operator["p_corrected"]) == (None, None, None)
    assert set(operator["reasons"].values()) == {"one group"}
    assert not [line for line in found["effects"] if line["factor"] == "operator"]
    nothing = drivers(desk, "r0", "step-1", asked=RunFilter(operator="nobody"))
    assert {each["factor"] for each in nothing["factors"]} == {"operator", "month"}
    assert set(nothing["factors"][0]["reasons"].values()) == {"no run says"}
    assert nothing["reasons"]["measurement_share"] == "no runs"
