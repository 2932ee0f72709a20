"""Charges that leave the bill, and lots that had expired: found, and nothing else."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.domain.lot import ShelfLot, Strength
from service.domain.material import Material
from service.domain.outcome import outcome_of
from service.domain.quantity import Quantity, parse_quantity
from service.domain.route import BillLine, Step
from service.domain.run import FAILED, FINISHED, OPEN, Charge, Run

AMOUNT = ("mass", "volume", "amount")
PER = ("mass-per-mass", "volume-per-mass", "amount-per-mass", "fraction")
MATERIALS = {
    "root": Material("root", "root"),
    "dye": Material("dye", "dye"),
    "water": Material("water", "water", density=parse_quantity("1.00 g/mL", ("density",))),
    "salt": Material("salt", "salt"),
    "crude-salt": Material("crude-salt", "crude salt", analyte="salt"),
    "sand": Material("sand", "sand"),
}


def step(**line: Quantity) -> Step:
    bill = (BillLine("water", per_key_input=parse_quantity("8 mL/g", PER)), BillLine("salt", **line))
    return Step("boil", "boil", "mass-ratio", key_input="root", product="dye", bill=bill)


PLAIN = step(per_batch=parse_quantity("2 g", AMOUNT))


def codes(*charges: tuple[str, str], of: Step = PLAIN, status: str = FINISHED, **more: Any) -> list[tuple[str, str]]:
    put = tuple(Charge(parse_quantity(amount, AMOUNT), material=material) for material, amount in charges)
    run = Run("r1", "lake", "boil", status, put, **more)
    found = outcome_of(run, of, MATERIALS, {}).findings
    return [(each.code, str(each.about)) for each in found if each.code in ("off-bill", "not-on-bill")]


def test_a_run_by_the_bill_is_left_in_peace() -> None:
    assert not codes(("root", "50 g"), ("water", "400 mL"), ("salt", "2 g"))
    assert not codes(("root", "50 g"), ("water", "150 mL"), ("water", "250 g"), ("crude-salt", "2 g"))


def test_far_off_is_found_both_ways_and_by_all_portions_together() -> None:
    assert codes(("root", "50 g"), ("water", "900 mL"), ("salt", "2 g")) == [("off-bill", "water")]
    assert codes(("root", "50 g"), ("water", "500 g"), ("water", "400 g")) == [("off-bill", "water")]
    assert codes(("root", "50 g"), ("water", "400 mL"), ("salt", "0.9 g")) == [("off-bill", "salt")]


def test_a_run_that_goes_on_may_still_get_the_rest() -> None:
    little = (("root", "50 g"), ("water", "40 mL"), ("salt", "2 g"))
    assert codes(*little) == [("off-bill", "water")]
    assert not codes(*little, status=OPEN)
    assert not codes(*little, status=FAILED)
    assert codes(("root", "50 g"), ("water", "9 L"), status=OPEN) == [("off-bill", "water")]


def test_what_the_bill_does_not_name() -> None:
    assert codes(("root", "50 g"), ("sand", "1 g"), ("sand", "2 g")) == [("not-on-bill", "sand")]
    assert not codes(("root", "50 g"), ("sand", "1 g"), of=replace(PLAIN, bill=()))


@given(
    key_g=st.integers(1, 500),
    portions=st.lists(st.integers(1, 900), min_size=1, max_size=4),
    scale=st.sampled_from(("0.1", "10")),
)
def test_the_size_of_a_batch_and_its_portions_change_nothing(key_g: int, portions: list[int], scale: str) -> None:
    """A law: whether a run kept to a bill per gram of key input depends on its proportions alone."""
    by_gram = step(per_key_input=parse_quantity("0.5 g/g", PER))
    parts = [("salt", f"{each} g") for each in portions]
    factor = float(scale)
    scaled = [("salt", f"{each * factor:.1f} g") for each in portions]
    together = codes(("root", f"{key_g} g"), ("salt", f"{sum(portions)} g"), of=by_gram)
    assert codes(("root", f"{key_g} g"), *parts, of=by_gram) == together
    assert codes(("root", f"{key_g * factor:.1f} g"), *scaled, of=by_gram) == together
    times = sum(portions) / (0.5 * key_g)
    assert (together == [("off-bill", "salt")]) is (times > 2.0 or times < 0.5)


@pytest.mark.parametrize(("expires", "found"), [("2026-04-09", True), ("2026-04-10", False), (None, False)])
def test_stock_is_expired_after_its_day(expires: str | None, found: bool) -> None:
    lot = ShelfLot("R-7", "root", "mass", Strength(), "lots", "R-7")
    lot = replace(lot, expires_on=None if expires is None else dt.date.fromisoformat(expires))
    charges = (Charge(parse_quantity("5 g", AMOUNT), lot="R-7"),) * 2
    run = Run("r1", "lake", "boil", OPEN, charges, started_on=dt.date(2026, 4, 10))
    told = [each for each in outcome_of(run, PLAIN, MATERIALS, {"R-7": lot}).findings if each.code == "expired-stock"]
    assert [(each.about, each.place) for each in told] == ([("R-7", "/charges/0")] if found else [])
