"""The next run of a step and the record of past ones, over a small book whose yields are plain numbers.

The bounds are those of the closed form, worked out once more with scipy.stats.
"""

from __future__ import annotations

import datetime as dt
import math
from typing import Any

import numpy as np
import pytest
from scipy import stats

from service.answer.forecast_record import forecast_record_of
from service.answer.next_run import next_run_of
from service.errors import MalformedInput, NotComputable, UnknownRecord
from tests.answer.desk import TODAY, Desk, named
from tests.world import make_world

ROUTE = "washing"


def wash(desk: Desk, *, steps: int = 1, **step: Any) -> None:
    """A route of steps that purify: what a run gives in grams of pure is its yield of 100 g of crude."""
    for number in range(steps + 1):
        body = {"name": f"grade {number}", "phase": "solid"} | ({"analyte": "grade0"} if number else {})
        desk.put("materials", f"grade{number}", body)
    of = {"basis": "recovery", **step}
    lines = [
        {"code": f"wash{n}", "name": f"wash {n}", "key_input": f"grade{n}", "product": f"grade{n + 1}", **of}
        for n in range(steps)
    ]
    desk.put("routes", ROUTE, {"name": "washing", "product": f"grade{steps}", "steps": lines})


def run(
    desk: Desk,
    place: int,
    gave: float | None,
    *,
    step: int = 0,
    crude_g: float = 100.0,
    lot: str | None = None,
    day: int | None = None,
    **more: Any,
) -> None:
    """A run on the ``place``-th day of 2026 that gave so much of a gram of crude, or failed."""
    charge: dict[str, Any] = {"amount": f"{crude_g} g", **({"lot": lot} if lot else {"material": f"grade{step}"})}
    body: dict[str, Any] = {
        "route": ROUTE,
        "step": f"wash{step}",
        "status": "failed" if gave is None else "finished",
        "finished_on": (dt.date(2026, 1, 1) + dt.timedelta(days=place if day is None else day)).isoformat(),
        "charges": [charge],
        "outturns": [] if gave is None else [{"material": f"grade{step + 1}", "net": f"{gave * crude_g:.6f} g"}],
        **more,
    }
    desk.put("runs", f"W{step}-{place}", body)


def next_run(desk: Desk, step: str = "wash0", **asked: Any) -> dict[str, Any]:
    with desk.opened() as book:
        return next_run_of(book, ROUTE, step, **{"as_of": TODAY, **asked})


def record(desk: Desk, **asked: Any) -> dict[str, Any]:
    with desk.opened() as book:
        return forecast_record_of(book, **{"as_of": TODAY, **asked})


def bound(yields: list[float], asked: float, *, chance: float, failures: int = 0, s0: float = 0.6) -> float:
    """The closed form by scipy.stats, for a step whose spread is lent by nobody."""
    x = np.log(np.array(yields) / (1 - np.array(yields)))
    k, squares = len(x), float(((x - x.mean()) ** 2).sum())
    a, b = failures + 10 * chance, k + 10 * (1 - chance)
    q = 1 - asked / (1 - a / (a + b))
    if q <= 1e-12:
        return 0.0
    s = math.sqrt((3 * s0**2 + squares) / (3 + k - 1))
    return float(1 / (1 + math.exp(-(x.mean() + s * math.sqrt(1 + 1 / k) * stats.t.ppf(q, 3 + k - 1)))))


def test_three_runs_by_another_road(desk: Desk) -> None:
    wash(desk)
    for place, gave in enumerate([0.62, 0.55, 0.70]):
        run(desk, place, gave, crude_g=50 + place, operator=f"m{place % 2}")
    told = next_run(desk, key_input_g=20.0, confidence=0.75)
    # No other step has a run: its chance of failure before its own record is 0.5/10.
    for percent, asked in (("50", 0.5), ("75", 0.75), ("80", 0.8), ("90", 0.9), ("95", 0.95)):
        wanted = bound([0.62, 0.55, 0.70], asked, chance=0.05)
        assert told["at_least"][percent] == pytest.approx(wanted, rel=1e-6)
        for form in ("contained", "dry", "as_weighed"):
            assert told["product_g"][form][percent] == pytest.approx(20 * wanted, rel=1e-6)
    assert told["chance_of_failure"] == pytest.approx(0.5 / 13)
    assert told["median"] == told["at_least"]["50"] < told["median_if_usable"]
    x = np.log(np.array([0.62, 0.55, 0.70]) / (1 - np.array([0.62, 0.55, 0.70]))).mean()
    assert told["median_if_usable"] == pytest.approx(1 / (1 + math.exp(-x)), rel=1e-6)
    assert told["evidence_counts"] == {
        "runs": 3,
        "usable": 3,
        "failed": 0,
        "left_out": 0,
        "operators": 2,
        "lots": 0,
        "effective_runs": 3.0,
        "smallest_batch_g": 50.0,
        "largest_batch_g": 52.0,
        "days_since_last": (TODAY - dt.date(2026, 1, 3)).days,
        "spread_lent_by_steps": 0,
        "runs_of_other_steps": 0,
        "failures_of_other_steps": 0,
    }
    assert told["evidence"].startswith("3 runs, 2 operators; batches from 50 g to 52 g; the last 326 days ago; spread")
    assert [each["code"] for each in told["lowers_confidence"]] == [
        "few-runs",
        "below-smallest-batch",
        "default-spread",
    ]
    assert [line["probability"] for line in told["bounds"]] == [0.5, 0.8, 0.9, 0.95, 0.75]


def test_yields_and_the_next_run_say_the_same(desk: Desk) -> None:
    wash(desk)
    for place, gave in enumerate([0.41, 0.50, 0.38, None, 0.45]):
        run(desk, place, gave)
    told = next_run(desk)
    line = named(desk.yields(ROUTE)["steps"], step="wash0")["next_run"]
    assert told["at_least"] == line["at_least"]
    assert told["spread_factor"] == line["spread_factor"] == 1.0
    # One failure in five, 0.05 of ten more: 1.5/14 = 0.107; nothing can be promised with 90 %.
    assert told["at_least"]["90"] == 0.0
    assert told["at_least"]["80"] == pytest.approx(bound([0.41, 0.50, 0.38, 0.45], 0.8, chance=0.05, failures=1))
    assert "plan a spare batch" in told["reasons"]["at_least"]
    assert "1 of the runs failed" in told["evidence"]
    assert told["reasons"]["product_g"] == "grams need key_input, the size of the run"
    assert told["product_g"]["dry"]["80"] is None


def test_grams_are_contained_dry_and_as_weighed(desk: Desk) -> None:
    # 60 g damp with 5 % of water and an assay of 0.9: 57 g dry, 51.3 g contained, a yield of 0.513.
    wash(desk)
    outturn = {"material": "grade1", "net": "60.000 g", "loss_on_drying": "0.05", "assay": "0.9"}
    run(desk, 0, 0.6, outturns=[outturn])
    told = next_run(desk, key_input_g=200.0)
    assert told["median_if_usable"] == pytest.approx(0.513, rel=1e-6)
    at_80 = {form: grams["80"] for form, grams in told["product_g"].items()}
    assert at_80["contained"] == pytest.approx(200 * told["at_least"]["80"])
    assert at_80["dry"] == pytest.approx(at_80["contained"] / 0.9)
    assert at_80["as_weighed"] == pytest.approx(at_80["dry"] / 0.95)


def test_an_opinion_stands_until_the_first_run(desk: Desk) -> None:
    wash(desk, expected_yield={"low": "0.3", "likely": "0.6", "high": "0.8"})
    told = next_run(desk)
    assert told["kind"] == "opinion"
    # The tenth percentile of the opinion is 1.6 times too near: t of 3 degrees.
    low = math.log(0.6 / 0.4) - 1.6 * (math.log(0.6 / 0.4) - math.log(0.3 / 0.7))
    scale = (math.log(0.6 / 0.4) - low) / stats.t.ppf(0.9, 3)
    q = 1 - 0.9 / (1 - 0.5 / 10)
    wanted = math.log(0.6 / 0.4) + scale * stats.t.ppf(q, 3)
    assert told["at_least"]["90"] == pytest.approx(1 / (1 + math.exp(-wanted)), rel=1e-6)
    assert told["evidence"] == "no run yet: the expected yield of the step, an opinion"
    run(desk, 0, 0.2)
    assert next_run(desk)["at_least"]["80"] == pytest.approx(bound([0.2], 0.8, chance=0.05))


def test_nothing_known_is_a_caution_and_for_a_ratio_an_error(desk: Desk) -> None:
    wash(desk)
    told = next_run(desk, key_input_g=10.0)
    assert (told["kind"], told["evidence"]) == ("none", "none")
    assert named(told["cautions"], code="no-evidence")["level"] == "warn"
    assert told["lowers_confidence"][0]["code"] == "no-runs"
    wash(desk, basis="mass-ratio")
    with pytest.raises(NotComputable, match="expected yield"):
        next_run(desk)


def test_a_batch_beyond_the_record_is_less_sure(desk: Desk) -> None:
    wash(desk)
    for place, gave in enumerate([0.62, 0.55, 0.70]):
        run(desk, place, gave, crude_g=50)
    within, beyond = (next_run(desk, key_input_g=grams) for grams in (50.0, 400.0))
    assert within["at_least"]["90"] > beyond["at_least"]["90"] > 0
    assert "beyond-largest-batch" in beyond["notes"]
    # By hand: (0.2 ln 8)² more in the variance of the level.
    x = np.log(np.array([0.62, 0.55, 0.70]) / (1 - np.array([0.62, 0.55, 0.70])))
    s2 = (3 * 0.36 + float(((x - x.mean()) ** 2).sum())) / 5
    width = math.sqrt(s2 * (1 + 1 / 3) + (0.2 * math.log(8)) ** 2)
    wanted = x.mean() + width * stats.t.ppf(1 - 0.9 / (1 - 0.5 / 13), 5)
    assert beyond["at_least"]["90"] == pytest.approx(1 / (1 + math.exp(-wanted)), rel=1e-6)


def test_runs_of_one_lot_count_for_less_on_a_new_one(desk: Desk) -> None:
    wash(desk)
    desk.put("lots", "sack", {"material": "grade0", "amount": "2 kg", "received_on": "2025-12-01", "origin": "opening"})
    for place, gave in enumerate([0.62, 0.55, 0.70, 0.66]):
        run(desk, place, gave, lot="sack")
    same, new = next_run(desk), next_run(desk, new_lot=True)
    assert new["evidence_counts"]["effective_runs"] == pytest.approx(4 / (1 + 3 * 0.5))
    assert new["at_least"]["90"] < same["at_least"]["90"]
    assert "shared-lot" in [each["code"] for each in same["lowers_confidence"]]
    assert "new-lot" in [each["code"] for each in new["lowers_confidence"]]


def test_yields_often_above_one_are_forecast_as_ratios(desk: Desk) -> None:
    wash(desk)
    for place, gave in enumerate([1.1, 1.2, 0.9]):
        run(desk, place, gave)
    told = next_run(desk)
    assert told["notes"] == ["often-above-one"]
    assert told["median_if_usable"] == pytest.approx((1.1 * 1.2 * 0.9) ** (1 / 3), rel=1e-6)
    assert any("dryness is wrong" in each["detail"] for each in told["lowers_confidence"])


def test_other_steps_lend_their_spread(desk: Desk) -> None:
    wash(desk, steps=5)
    for step in range(5):
        for place, gave in enumerate([0.60, 0.61, 0.62]):
            run(desk, place, gave + step / 50, step=step)
    told = next_run(desk)
    assert told["evidence_counts"]["spread_lent_by_steps"] == 5
    assert "the 5 steps of the workshop that have repeated runs" in told["evidence"]
    assert told["at_least"]["80"] > bound([0.60, 0.61, 0.62], 0.8, chance=0.5 / 22)


def test_a_step_whose_past_bounds_did_not_hold_is_widened_everywhere(desk: Desk) -> None:
    wash(desk)
    # Each run worse than all before it.
    given = [0.90 - 0.02 * place for place in range(30)]
    for place, gave in enumerate(given):
        run(desk, place, gave)
    told = next_run(desk)
    factor = told["spread_factor"]
    assert factor > 1
    assert "spread-inflated" in told["notes"]
    assert "spread-inflated" in [each["code"] for each in told["lowers_confidence"]]
    shown = record(desk, route_code=ROUTE, step_code="wash0")
    (step,) = shown["steps"]
    assert (step["holds"], step["spread_factor"], step["judged_by"]) == (False, factor, "its own forecasts")
    assert told["spread"] == pytest.approx(factor * plain_spread(given), rel=1e-6)
    assert named(desk.yields(ROUTE)["steps"], step="wash0")["next_run"]["spread_factor"] == factor
    sheet = desk.sheet(ROUTE, "wash0", 100.0)
    assert sheet["next_run"]["spread_factor"] == factor
    plan = desk.plan(ROUTE, 10.0, trials=256)
    assert plan["rests_on"]["spread_factor"] == {"wash0": factor}
    # What was known on the tenth day had not failed often enough yet.
    assert next_run(desk, as_of=dt.date(2026, 1, 6))["spread_factor"] == 1.0


def plain_spread(yields: list[float]) -> float:
    x = np.log(np.array(yields) / (1 - np.array(yields)))
    assert x.var(ddof=1) > 0.36  # wider than the default, which then does not narrow it
    return float(x.std(ddof=1))


def test_the_record_of_a_step_run_by_run(desk: Desk) -> None:
    wash(desk)
    given: list[float | None] = [0.62, 0.55, None, 0.70, 0.20]
    for place, gave in enumerate(given):
        run(desk, place, gave)
    run(desk, 5, 0.5, exclude={"reason": "wrong flask"})
    run(desk, 6, 0.6, day=4)  # on the day of another run: neither knows of the other
    told = record(desk, route_code=ROUTE, step_code="wash0")
    assert [line["run"] for line in told["runs"]] == ["W0-0", "W0-1", "W0-2", "W0-3", "W0-4", "W0-6"]
    assert [line["runs_before"] for line in told["runs"]] == [0, 1, 2, 2, 3, 3]
    first, second, failed, fourth, fifth, sixth = told["runs"]
    assert first["at_least"] == {"80": None, "90": None, "95": None}
    assert second["at_least"]["90"] == pytest.approx(bound([0.62], 0.9, chance=0.05), rel=1e-6)
    assert failed["held"]["80"] is False
    assert failed["yield"] is None
    assert fourth["at_least"]["80"] == pytest.approx(bound([0.62, 0.55], 0.8, chance=0.05, failures=1), rel=1e-6)
    assert fifth["at_least"]["80"] == sixth["at_least"]["80"]
    assert (fifth["held"]["80"], sixth["held"]["80"]) == (False, True)
    (step,) = told["steps"]
    at_80 = step["bounds"]["80"]
    assert (step["forecasts"], step["without_runs_before"]) == (5, 1)
    assert (at_80["bounds_above_0"], at_80["held"], at_80["zero_bounds"]) == (5, 3, 0)
    exact = stats.binomtest(3, 5).proportion_ci(0.9, "exact")
    assert (at_80["low"], at_80["high"]) == (pytest.approx(exact.low), pytest.approx(exact.high))
    assert step["bounds"]["95"]["zero_bounds"] == sum(line["at_least"]["95"] == 0 for line in told["runs"])
    assert told["rests_on"]["left_out"] == [{"reason": "left out of statistics", "runs": 1}]
    assert told["overall"]["bounds"] == step["bounds"]
    assert record(desk)["runs"] == []


def test_a_record_up_to_a_day_is_the_record_of_that_day(desk: Desk) -> None:
    wash(desk)
    for place, gave in enumerate([0.62, 0.55, 0.60]):
        run(desk, place, gave)
    then = record(desk, as_of=dt.date(2026, 1, 3))
    run(desk, 3, 0.9)
    assert record(desk, as_of=dt.date(2026, 1, 3))["steps"] == then["steps"]
    assert record(desk)["overall"]["forecasts"] == 3


def test_what_cannot_be_asked_is_refused(desk: Desk) -> None:
    wash(desk)
    assert record(desk)["overall"]["holds"] is None
    assert record(desk)["steps"] == []
    with pytest.raises(MalformedInput):
        record(desk, step_code="wash0")
    for asked in ({"route_code": "none"}, {"route_code": ROUTE, "step_code": "none"}):
        with pytest.raises(UnknownRecord):
            record(desk, **asked)
    with pytest.raises(UnknownRecord):
        next_run(desk, "none")


def test_a_known_world_keeps_its_promises(large: Desk) -> None:
    """5,000 runs of 100 steps whose truth is steady: the bounds hold as often as they said, nothing is widened much."""
    told = record(large)
    assert told["overall"]["holds"] is True
    for percent, kept in told["overall"]["bounds"].items():
        assert kept["share"] == pytest.approx(int(percent) / 100, abs=0.03), percent
    factors = [step["spread_factor"] for step in told["steps"]]
    assert np.mean([factor > 1 for factor in factors]) < 0.05


def test_sixty_runs_of_a_world(desk: Desk) -> None:
    desk.load(make_world(5, routes=2, steps_per_route=2, runs_per_step=15, short=0.0))
    told = record(desk)
    assert told["overall"]["forecasts"] == sum(step["forecasts"] for step in told["steps"])
    assert {line["asked"] for line in told["bounds"]} == {80, 90, 95}
