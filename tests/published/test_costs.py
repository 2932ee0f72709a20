"""Costs against a published table, and against what the definition of a standard cost implies.

The table is of A. Hill et al., BMJ Open 2016: from the price of an active substance to what a month of tablets costs.
It prints cents a tablet, so that a month of n tablets is known to n half cents.
"""

from __future__ import annotations

import math
from decimal import Decimal
from typing import Any

import numpy as np
import pytest

from service.analytics.money.standard_cost import CostLine, StandardCost, StepCost, standard_cost
from service.analytics.statistics.ratio import ratio_of_totals
from service.domain.money import from_micro, to_micro
from tests.published.records import retrieved

RECORDS = retrieved("cost")
NOT_COMPUTED = {"COST-GOTHAM-2016-INPUTS": "prices alone: what they come to is not in the record"}
TABLE = RECORDS["COST-HILL-TKI-2016"]
HALF_A_CENT = 0.005 + 1e-9

Cell = tuple[float, int, float, int, int]


def cells() -> list[Cell]:
    """Dose in g, tablets a month, price per kg, and the place of the figure in the printed rows."""
    inputs = TABLE["inputs"]
    return [
        (float(dose.removesuffix(" mg")) / 1000, inputs["tablets_per_month"][column], price, column, at)
        for column, dose in enumerate(inputs["columns"])
        for at, price in enumerate(inputs["API_price_per_kg"][column])
    ]


def printed(row: str, cell: Cell) -> float:
    values: list[list[float]] = TABLE["expected"][row]
    return values[cell[3]][cell[4]]


def tablets(cell: Cell, *lines: CostLine) -> StandardCost:
    """A step that makes tablets of the dose out of all of its key input; a batch is a month."""
    dose_g, count, *_ = cell
    return standard_cost([StepCost("press", 1.0, lines, batch_g=dose_g * count)])


def test_nothing_is_missing() -> None:
    assert RECORDS.keys() == {TABLE["id"], *NOT_COMPUTED}
    assert len(cells()) == 5


@pytest.mark.parametrize("cell", cells())
def test_active_substance_a_tablet(cell: Cell) -> None:
    dose_g, _, price, *_ = cell
    found = tablets(cell, CostLine("active substance", price / 1000))
    assert found.cost_per_g is not None
    assert found.cost_per_g * dose_g == pytest.approx(printed("API_cost_per_tablet", cell), abs=HALF_A_CENT)


@pytest.mark.parametrize("cell", cells())
def test_a_month_of_tablets(cell: Cell) -> None:
    """What goes into a tablet as printed, pressing by the tablet, a bottle by the batch."""
    dose_g, count, *_ = cell
    pressing, bottle = TABLE["inputs"]["tableting_usd_per_tablet"], TABLE["inputs"]["bottle_usd_per_month"]
    found = tablets(
        cell,
        CostLine("tablet", printed("with_excipients", cell) / dose_g),
        CostLine("pressing", pressing / dose_g, kind="direct"),
        CostLine("bottle", per_batch=bottle, kind="direct"),
    )
    month_g = dose_g * count
    assert found.cost_per_g is not None
    assert found.cost_per_g * month_g == pytest.approx(printed("with_bottle", cell), abs=count * HALF_A_CENT)
    assert found.direct["bottle"] * month_g == pytest.approx(bottle, rel=1e-12)
    without_bottle = found.cost_per_g * month_g - bottle
    assert without_bottle == pytest.approx(printed("per_month", cell), abs=count * HALF_A_CENT)
    a_tablet = printed("with_excipients", cell) + pressing
    assert a_tablet == pytest.approx(printed("with_tableting", cell), abs=1e-9)


@pytest.mark.parametrize("cell", cells())
def test_mark_up_to_the_cent(cell: Cell) -> None:
    """Money is counted in millionths and rounded once: half of 6.57 on top of it is 9.855, printed 9.85."""
    before = Decimal(str(printed("with_bottle", cell)))
    marked_up = from_micro(to_micro(before * (1 + Decimal(str(TABLE["inputs"]["mark_up"])))))
    assert marked_up == before * Decimal("1.5")
    assert float(marked_up) == pytest.approx(printed("with_50pct", cell), abs=HALF_A_CENT)


# What the definition implies.


def test_many_small_charges_lose_nothing_to_rounding() -> None:
    # 40 charges of 1.5 g at 2.40 a kilogram are 0.144, not forty times the nearest cent of 0.0036.
    charge = to_micro(Decimal("2.40") * Decimal("0.0015"))
    assert from_micro(40 * charge) == Decimal("0.144000")
    assert 40 * round(0.0036, 2) == 0


def test_cost_is_one_over_the_expected_yield() -> None:
    # Yields of Beta(3, 12): E[Y] = 3/15 and E[1/Y] = 14/2, from memory; one over each yield costs 40 % too much.
    drawn = np.random.default_rng(15).beta(3, 12, 100_000)
    ratio = ratio_of_totals(drawn, np.ones_like(drawn)).ratio
    found = standard_cost([StepCost("s", ratio, (CostLine("feed", 1.0),))]).cost_per_g
    assert found == pytest.approx(5.0, rel=0.01)
    assert float(np.mean(1 / drawn)) / found == pytest.approx(1.4, rel=0.02)
    # A run that fails makes the one infinite and the other merely dearer.
    failing = ratio_of_totals([*drawn[:999], 0.0], np.ones(1000)).ratio
    assert failing is not None
    assert math.isfinite(1 / failing)


def test_the_interval_of_a_ratio_of_totals_holds_nearly_as_often_as_asked() -> None:
    """Over drawn workshops a 90 % interval of 3 to 10 runs holds 87 to 91 %, one of resampled runs 57 to 84 %."""
    for count in (3, 5, 10):
        share, resampled = coverage(count)
        assert 0.85 < share < 0.93  # within the error of 600 workshops
        assert 0.55 < resampled < 0.86


def coverage(count: int, workshops: int = 600) -> tuple[float, float]:
    """The shares of workshops whose true ratio lies in the interval, and in one of resampled runs."""
    rng: Any = np.random.default_rng(count)
    put_in = rng.uniform(20.0, 60.0, (workshops, count))
    came_out = put_in * rng.beta(6, 4, (workshops, count))
    truth, log_hits, resampled_hits = 0.6, 0, 0
    for tops, bottoms in zip(came_out, put_in, strict=True):
        found = ratio_of_totals(tops, bottoms)
        assert found.low is not None
        assert found.high is not None
        log_hits += found.low <= truth <= found.high
        picks = rng.integers(0, count, (200, count))
        low, high = np.quantile(tops[picks].sum(axis=1) / bottoms[picks].sum(axis=1), (0.05, 0.95))
        resampled_hits += low <= truth <= high
    return log_hits / workshops, resampled_hits / workshops
