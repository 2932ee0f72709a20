"""The flat series of what runs cost: a generated book by its truth, the part of each run that is read alone."""

from __future__ import annotations

import datetime as dt
import random
from typing import Any

import pytest

from service.answer.book import Book
from service.answer.cost_series import cost_series_of
from service.answer.run_cost import run_cost_of
from service.answer.run_filter import RunFilter
from service.answer.snapshot import Memory
from service.errors import MalformedInput
from tests.answer.desk import TODAY, Desk
from tests.answer.ledger_model import costs_of
from tests.answer.small import run, shop
from tests.world import make_world


def series(desk: Desk, **asked: Any) -> dict[str, dict[str, Any]]:
    with desk.opened() as book:
        answer = cost_series_of(book, asked=RunFilter(**asked), as_of=TODAY)
    assert answer["rests_on"]["runs"] == len(answer["runs"])
    return {line["run"]: line for line in answer["runs"]}


def test_every_finished_run_of_a_generated_book(desk: Desk) -> None:
    world = make_world(8, routes=2, steps_per_route=3, runs_per_step=6)
    desk.load(world)
    true = costs_of(world)
    lines = series(desk)
    finished = {code: each for code, each in world.truth.runs.items() if each.status == "finished"}
    assert lines.keys() == finished.keys()
    priced = 0
    for code, line in lines.items():
        assert line["day"] == (finished[code].finished_on or finished[code].started_on)
        if line["product_lot"] is not None and line["cost_per_g"] is not None:
            assert line["cost_at_least"] >= float(true.whole[line["product_lot"]]) - 1e-5
            priced += 1
    assert priced > 20
    # The other road: the ancestors of one run, read by themselves.
    with desk.reading() as reading:
        for code in random.Random(1).sample(sorted(lines), 8):
            alone = run_cost_of(Book(reading, Memory()), code, as_of=TODAY)
            for name in ("cost_per_g", "cost_per_contained_g", "cost_per_g_at_least"):
                assert lines[code][name] == pytest.approx(alone[name], rel=1e-12), (code, name)
            assert lines[code]["cost_at_least"] == float(alone["total_at_least"]["amount"])


def test_the_filters_are_those_of_the_other_series(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    for code, operator, day in (("r1", "m1", "2026-04-12"), ("r2", "m2", "2026-05-02"), ("r3", "m1", "2026-06-02")):
        run(desk, code, operator=operator, finished_on=day)
    run(desk, "f1", status="failed", outturns=[])
    assert list(series(desk, route="oxide", step="carbonate")) == ["r1", "r2", "r3"]
    assert list(series(desk, operator="m1")) == ["r1", "r3"]
    assert list(series(desk, first=dt.date(2026, 5, 1), last=dt.date(2026, 5, 31))) == ["r2"]
    assert list(series(desk, project="pigments")) == ["r1", "r2", "r3"]


def test_what_is_unpriced_is_null_with_its_reason(desk: Desk, monkeypatch: pytest.MonkeyPatch) -> None:
    desk.fill()
    shop(desk, "ash-1kg")
    run(desk, "r1")
    (line,) = series(desk).values()
    assert (line["cost"], line["cost_per_g"]) == (None, None)
    assert line["reasons"] == dict.fromkeys(
        ("cost", "cost_per_g", "cost_per_contained_g"), "something behind it is unpriced"
    )
    assert line["product_lot"] == "r1-lot"
    assert 0 < line["cost_per_g_at_least"] < line["cost_at_least"]
    shop(desk)
    run(desk, "r2", shelved=False)
    lines = series(desk)
    assert lines["r1"]["reasons"] == {}
    assert lines["r2"]["product_lot"] is None
    assert lines["r1"]["cost_per_g"] == lines["r2"]["cost_per_g"] > line["cost_per_g_at_least"]
    monkeypatch.setattr("service.answer.series.MOST_RUNS", 1)
    with pytest.raises(MalformedInput, match="narrow"):
        series(desk)
