"""Statistics in any grouping against the truth of generated books, which pandas groups once more."""

from __future__ import annotations

import datetime as dt
from typing import Any

import pandas as pd
import pytest

from service.answer.grouped_yields import grouped_yields_of
from service.answer.run_filter import RunFilter
from service.answer.series import run_series_of, yield_series_of
from service.errors import MalformedInput, UnknownRecord
from tests.answer.desk import TODAY, Desk
from tests.store.book import CARBONATE_RUN
from tests.world import World, make_world

EXACT = 1e-9


def asked(desk: Desk, *by: str, charge: str | None = None, as_of: dt.date = TODAY, **of: Any) -> dict[str, Any]:
    with desk.opened() as book:
        return grouped_yields_of(book, by=by, asked=RunFilter(**of), charge=charge, as_of=as_of)


def frame(world: World) -> pd.DataFrame:
    """What was written, a line a run."""
    suppliers = {code: lot.supplier for code, lot in world.truth.lots.items()}
    lines = [
        {
            "run": run.code,
            "route": run.route,
            "step": run.step,
            "basis": world.truth.steps[run.route, run.step].basis,
            "status": run.status,
            "excluded": run.excluded,
            "day": run.finished_on or run.started_on,
            "operator": run.operator,
            "lot": run.key_lot,
            "supplier": suppliers.get(run.key_lot),
            "batch_g": run.batch_g,
            "theoretical_g": run.theoretical_g,
            "contained_g": run.contained_g if run.status == "finished" else 0.0,
            "yield": run.written_yield if run.counted else None,
        }
        for run in world.truth.runs.values()
    ]
    found = pd.DataFrame(lines)
    found["month"] = found["day"].str[:7]
    found["quarter"] = found["day"].str[:4] + "-Q" + ((found["day"].str[5:7].astype(int) + 2) // 3).astype(str)
    return found


@pytest.fixture(scope="module")
def world() -> World:
    return make_world(5, routes=2, steps_per_route=3, runs_per_step=14)


@pytest.fixture
def full(desk: Desk, world: World) -> Desk:
    return desk.load(world)


BY = [
    ["step"],
    ["operator"],
    ["month"],
    ["quarter"],
    ["lot"],
    ["supplier"],
    ["operator", "quarter"],
    ["step", "operator"],
]


def test_every_grouping_says_what_was_written(full: Desk, world: World) -> None:
    book = frame(world)
    for by in BY:
        names = [*(["route"] if "step" in by else []), *by, "basis"]
        answer = asked(full, *by)
        groups = {(*group["by"].values(), group["basis"]): group for group in answer["groups"]}
        wanted = dict(list(book.groupby(names, dropna=False)))
        assert len(groups) == len(wanted), by
        for key, lines in wanted.items():
            clean = tuple(None if isinstance(part, float) else part for part in key)
            check(groups[clean], lines)


def check(group: dict[str, Any], lines: pd.DataFrame) -> None:
    taken = lines[~lines["excluded"]]
    yields = taken["yield"].dropna()
    runs = group["runs"]
    assert runs["counted"] == len(yields)
    assert runs["failed"] == (taken["status"] == "failed").sum()
    assert runs["abandoned"] == (taken["status"] == "abandoned").sum()
    assert runs["open"] == (taken["status"] == "open").sum()
    assert runs["left_out_count"] == lines["excluded"].sum() == len(runs["left_out"])
    figures = {"mean": yields.mean(), "sd": yields.std(), "median": yields.median(), "q1": yields.quantile(0.25)}
    figures |= {"q3": yields.quantile(0.75), "min": yields.min(), "max": yields.max()}
    tried = taken[taken["status"].isin(["finished", "failed"])]
    figures["ratio_of_totals"] = tried["contained_g"].sum() / tried["theoretical_g"].sum() if len(tried) else None
    for name, value in figures.items():
        if value is None or value != value:
            assert group[name] is None
            assert name in group["reasons"]
        else:
            assert group[name] == pytest.approx(value, rel=EXACT), name


def test_filters_narrow_and_do_not_change(full: Desk, world: World) -> None:
    book = frame(world)
    for of, kept in (
        ({"operator": "m1"}, book["operator"] == "m1"),
        ({"route": "r1", "step": "step-2"}, (book["route"] == "r1") & (book["step"] == "step-2")),
        ({"first": dt.date(2025, 3, 1), "last": dt.date(2025, 9, 30)}, book["day"].between("2025-03-01", "2025-09-30")),
        ({"supplier": "supplier-0"}, book["supplier"] == "supplier-0"),
        ({"quarter": "2025-Q2"}, book["quarter"] == "2025-Q2"),
        ({"month": "2025-02"}, book["month"] == "2025-02"),
        ({"batch_band": "50-100 g"}, (book["batch_g"] >= 50.0) & (book["batch_g"] < 100.0)),
    ):
        answer = asked(full, "step", **of)
        wanted = dict(list(book[kept].groupby(["route", "step", "basis"])))
        assert len(answer["groups"]) == len(wanted) > 0, of
        for group in answer["groups"]:
            check(group, wanted[group["by"]["route"], group["by"]["step"], group["basis"]])
    with pytest.raises(UnknownRecord):
        asked(full, "step", route="nowhere")


def test_batch_bands_hold_their_batches(full: Desk, world: World) -> None:
    book = frame(world)
    total = 0
    for group in asked(full, "batch_band")["groups"]:
        low, high = (float(part) for part in group["by"]["batch_band"].removesuffix(" g").split("-"))
        lines = book[(book["batch_g"] >= low) & (book["batch_g"] < high) & (book["basis"] == group["basis"])]
        check(group, lines)
        total += len(lines)
    assert total == len(book)


def test_a_run_stands_under_each_of_its_tags(desk: Desk) -> None:
    desk.fill()
    for code, tags in (("A", ["new-beaker", "cold"]), ("B", ["cold"]), ("C", [])):
        body = CARBONATE_RUN | {"tags": tags, "outturns": [{"material": "malachite", "net": "20.0 g"}]}
        desk.put("runs", code, body)
    groups = {group["by"]["tag"]: group["runs"]["counted"] for group in asked(desk, "tag")["groups"]}
    assert groups == {"cold": 2, "new-beaker": 1, None: 1}
    assert asked(desk, "step", tag="cold")["groups"][0]["runs"]["counted"] == 2
    assert asked(desk, "tag")["rests_on"]["runs"] == 3


def test_a_named_charge_groups_by_its_own_lots(full: Desk, world: World) -> None:
    """Of the key input both ways are one; of another charge every run is under its own lot or under none."""
    step = world.truth.steps["r0", "step-1"]
    by_key = asked(full, "lot", route="r0", step="step-1")["groups"]
    by_name = asked(full, "lot", route="r0", step="step-1", charge=step.key)["groups"]
    single = {
        group["by"]["lot"]: group["mean"] for group in by_name if group["by"]["lot"] and "+" not in group["by"]["lot"]
    }
    alone = {group["by"]["lot"]: group["mean"] for group in by_key}
    assert single
    for lot, mean in single.items():
        assert lot in alone
        if sum("+" in str(group["by"]["lot"]) for group in by_name) == 0:
            assert alone[lot] == mean


def test_too_many_groups_are_refused_with_what_would_help(
    desk: Desk, monkeypatch: pytest.MonkeyPatch, world: World
) -> None:
    desk.load(world)
    monkeypatch.setattr("service.answer.grouped_yields.MOST_GROUPS", 5)
    with pytest.raises(MalformedInput, match="narrow"):
        asked(desk, "month", "operator")


def test_an_empty_workshop_has_no_groups(desk: Desk) -> None:
    assert asked(desk, "step", "operator", "month", "tag", "lot")["groups"] == []


def test_a_series_of_runs_is_every_run(full: Desk, world: World) -> None:
    with full.opened() as book:
        answer = run_series_of(book, asked=RunFilter(), as_of=TODAY)
    lines = {line["run"]: line for line in answer["runs"]}
    assert lines.keys() == world.truth.runs.keys()
    for code, run in world.truth.runs.items():
        line = lines[code]
        assert (line["step"], line["operator"], line["status"], line["key_lot"], line["day"]) == (
            run.step, run.operator, run.status, run.key_lot, run.finished_on or run.started_on,
        )  # fmt: skip
        assert line["theoretical_g"] == pytest.approx(run.theoretical_g, rel=EXACT)
        if run.status == "finished":
            assert line["yield"] == pytest.approx(run.written_yield, rel=EXACT)


@pytest.mark.parametrize("every", ["week", "month", "quarter", "year"])
def test_a_series_of_yields_is_every_stretch(every: str, full: Desk, world: World) -> None:
    with full.opened() as book:
        answer = yield_series_of(book, asked=RunFilter(), every=every, as_of=TODAY)
    lines = frame(world)
    lines = lines[~lines["excluded"] & lines["status"].isin(["finished", "failed"])]
    period = {"week": "W-SUN", "month": "M", "quarter": "Q", "year": "Y"}[every]
    lines = lines.assign(begun=pd.to_datetime(lines["day"]).dt.to_period(period).dt.start_time.dt.strftime("%Y-%m-%d"))
    wanted = dict(list(lines.groupby(["route", "step", "begun"])))
    assert len(answer["yields"]) == len(wanted)
    for line in answer["yields"]:
        mine = wanted[line["route"], line["step"], line["from"]]
        assert (line["counted"], line["failed"]) == (
            (mine["status"] == "finished").sum(),
            (mine["status"] == "failed").sum(),
        )
        if line["counted"]:
            assert line["median"] == pytest.approx(mine["yield"].median(), rel=EXACT)
        assert line["ratio_of_totals"] == pytest.approx(
            mine["contained_g"].sum() / mine["theoretical_g"].sum(), rel=EXACT
        )
