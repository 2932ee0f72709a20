"""Every benchmark runs at a tiny size and prints its rows; what they measure is nobody's to assert."""

from __future__ import annotations

import math
import subprocess
import sys
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest

from tests.benchmarks import (
    coverage,
    grouped_yields,
    growing_ledger,
    import_runs,
    ledger_answer,
    lot_answer,
    plan_answer,
    put_run,
    served_put,
    what_if,
    yields_answer,
)
from tests.benchmarks.databases import kind_of
from tests.benchmarks.measure import Cost, Row, in_turn, machine, table

MEASURED: dict[str, tuple[Callable[[str], list[Row]], int]] = {
    "put_run": (partial(put_run.rows, calls=1), 1),
    "served_put": (partial(served_put.rows, calls=1), 1),
    "growing_ledger": (
        partial(growing_ledger.rows, small=2, large=5, charged_by=(1, 2), calls=1, few_calls=1),
        4,
    ),
    "yields_answer": (partial(yields_answer.rows, runs_per_step=3, calls=1, processes=1), 5),
    "plan_answer": (partial(plan_answer.rows, calls=1, trials=256, larger=3), 4),
    "ledger_answer": (partial(ledger_answer.rows, ledger_lots=60, calls=1), 3),
    "lot_answer": (partial(lot_answer.rows, ledger_lots=60, calls=1), 15),
    "import_runs": (partial(import_runs.rows, runs_per_step=1), 1),
    "grouped_yields": (partial(grouped_yields.rows, routes=1, steps=3, runs_per_step=20, calls=1), 9),
    "what_if": (partial(what_if.rows, calls=1, trials=256), 1),
}


@pytest.mark.parametrize("name", MEASURED)
def test_a_benchmark_prints_its_rows(name: str, database_url: str) -> None:
    measure, least = MEASURED[name]
    rows = measure(database_url)
    assert len(rows) >= least or (name == "grouped_yields" and kind_of(database_url) != "SQLite")
    assert all(row.cost.wall_s > 0 and row.floor.wall_s > 0 for row in rows)
    assert len(table(rows).splitlines()) == 2 + len(rows)


def test_the_tables_of_coverage_are_printed() -> None:
    for printed, cases in (
        (list(coverage.lines(2)), coverage.CASES),
        (list(coverage.chain_lines(1)), coverage.CHAINS),
    ):
        assert len(printed) == 2 + len(cases)
        assert len({line.count("|") for line in printed}) == 1


def test_what_is_delivered_has_a_verdict() -> None:
    assert coverage.verdict(0.88, 0.01, 0.88) == "holds"
    assert coverage.verdict(0.87, 0.01, 0.88) == "holds within error"
    assert coverage.verdict(0.85, 0.01, 0.88) == "misses 88"
    assert coverage.verdict(math.nan, math.nan, 0.88) == "no bound above 0"


@pytest.mark.parametrize("runs", [1, 3])
@pytest.mark.parametrize("truth", [*coverage.STEADY, *coverage.BETAS], ids=str)
def test_bounds_deliver_what_they_shall(truth: coverage.Truth, runs: int) -> None:
    found = coverage.covered(coverage.Case(truth, 0.0, runs), 120)
    goal = coverage.GOAL if runs >= coverage.FEW else coverage.GOAL_OF_FEW
    assert found.held[coverage.ASKED.index(0.90)] >= goal - 3 * found.standard_error


@pytest.mark.parametrize("runs", [3, 10])
@pytest.mark.parametrize("truth", [coverage.STEADY[1], coverage.BETAS[1]], ids=str)
def test_no_bound_above_0_holds_more_often_than_runs_give_anything(truth: coverage.Truth, runs: int) -> None:
    """By any method: so these rows are counted both ways, and what is asked below the ceiling holds apart."""
    case = coverage.Case(truth, 0.15, runs)
    found = coverage.covered(case, 240)
    at_80, at_90 = coverage.ASKED.index(0.80), coverage.ASKED.index(0.90)
    assert all(math.isnan(held) or held <= 0.85 + 1e-9 for held in found.held)
    assert found.held[at_80] >= 0.80 - coverage.WITHIN - 0.01  # three standard errors of so few workshops
    assert found.kept[at_90] >= 0.90
    zeros = found.without_bound
    apart = 0.0 if zeros == 1 else (1 - zeros) * found.held[at_90]
    assert found.kept[at_90] == pytest.approx(zeros + apart)
    assert "with the bounds of 0" in coverage.said_of(case, found)
    assert ("of at most 85" in coverage.said_of(case, found)) is (zeros < 1)


def test_a_chain_delivers_what_it_shall() -> None:
    found = coverage.chained(coverage.Chain(coverage.STEADY[1], 5, 1, 3), 40)
    assert found.held[0] >= coverage.GOAL_OF_CHAINS - 3 * found.standard_error
    assert found.mean_held < 0.75


@pytest.mark.parametrize("scatter", coverage.SCATTER)
def test_scatter_has_mean_0_and_spread_1(scatter: str) -> None:
    points = coverage.SCATTER[scatter](coverage.GRID)
    assert points.mean() == pytest.approx(0.0, abs=0.01)
    assert points.std() == pytest.approx(1.0, abs=0.02)


def test_coverage_is_a_program_of_its_own() -> None:
    program = Path(coverage.__file__)
    told = subprocess.run([sys.executable, program, "1"], check=True, capture_output=True, text=True)
    assert len(told.stdout.splitlines()) == 2 + len(coverage.CASES) + 1 + 2 + len(coverage.CHAINS)


def test_what_is_measured_is_called_in_turn() -> None:
    called: list[str] = []
    actions = [lambda number, name=name: called.append(f"{name}{number}") for name in "ab"]
    in_turn(2, actions, before=lambda number: called.append(f"before{number}"))
    assert called[:6] == ["before0", "a0", "b0", "before1", "a1", "b1"]
    assert len(called) == 3 * 4


def test_a_ratio_to_no_processor_time_is_not_a_number() -> None:
    row = Row("nothing", Cost(2.0, 1.0), Cost(1.0, 0.0))
    assert row.ratio == 2.0
    assert math.isnan(row.cpu_ratio)
    assert "| 2 |" in table([row])
    assert machine()
