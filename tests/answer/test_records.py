"""Records as they are read: balances against the text of the book, and what stands beside a record."""

from __future__ import annotations

from decimal import Decimal

import pytest

from service.answer.ledger_audit import audit_of
from service.record.rebuild import rebuild
from service.store.outcomes import stored_outcomes
from tests.answer.desk import Desk
from tests.answer.small import run
from tests.store.book import ROUTE, VITRIOL_LOT
from tests.world import make_world

KEYS = {"g": "on_hand_g", "mL": "on_hand_ml", "mol": "on_hand_mol"}


@pytest.mark.parametrize("seed", [21, 22])
def test_what_is_left_of_every_lot(seed: int, desk: Desk) -> None:
    world = make_world(seed, routes=4, steps_per_route=3, runs_per_step=5)
    desk.load(world)
    own = {line["code"] for line in world.lines_of("lot")}
    assert len(world.balances) > 50
    for code, (unit, left) in world.balances.items():
        if code in own:
            found = desk.view("lots", code)
            assert found[KEYS[unit]] == pytest.approx(float(left), rel=1e-9, abs=1e-8), code
            assert found["findings"] == []
        else:
            assert desk.left(code) == round(left * 10**9), code


def test_every_run_of_a_generated_book(desk: Desk) -> None:
    world = make_world(23, routes=4, steps_per_route=3, runs_per_step=5, short=0.3)
    desk.load(world)
    for code, truth in world.truth.runs.items():
        result = desk.view("runs", code)["result"]
        assert result["theoretical_g"] == pytest.approx(truth.theoretical_g, rel=1e-9)
        assert result["batch_g"] == pytest.approx(truth.batch_g, rel=1e-9)
        if truth.written_yield is None:
            assert result["yield"] is None
            assert "yield" in result["reasons"]
        else:
            assert result["yield"] == pytest.approx(truth.written_yield, rel=1e-9)
            assert result["net_g"] == pytest.approx(truth.net_g, rel=1e-9)
            assert result["contained_g"] == pytest.approx(truth.contained_g, rel=1e-9)


def test_what_was_written_is_given_back_as_it_was(desk: Desk) -> None:
    desk.fill()
    found = desk.view("lots", "vitriol-1")
    assert found["amount"] == "500 g"
    assert found["assay"] == "0.98"
    assert (found["code"], found["revision"], found["by"]) == ("vitriol-1", 1, "m1")
    assert found["on_hand_g"] == 500.0
    material = desk.view("materials", "blue-vitriol")
    assert material["molar_mass_g_per_mol"] == pytest.approx(249.677, abs=0.01)  # IUPAC 2021 weights, summed by hand
    assert material["elements"] == {"Cu": 1, "S": 1, "O": 9, "H": 10}
    assert desk.view("routes", "oxide")["upstream"] == [
        {"step": "roast", "material": "malachite", "from_step": "carbonate"}
    ]
    assert desk.view("routes", "oxide")["steps"] == ROUTE["steps"]


def test_a_lot_that_a_run_makes_is_read_from_its_run(desk: Desk) -> None:
    desk.fill_with_runs()
    assert desk.left("malachite-1") == int(Decimal("10.41") * 10**9)


def test_more_taken_than_there_was(desk: Desk) -> None:
    """It is kept and said, of the lot and of each run that took from it, until somebody counts."""
    desk.fill()
    desk.put("lots", "vitriol-1", VITRIOL_LOT | {"amount": "80 g"})
    run(desk, "C-1")
    assert desk.view("runs", "C-1")["findings"] == []
    run(desk, "C-2")
    lot = desk.view("lots", "vitriol-1")
    assert lot["on_hand_g"] == pytest.approx(-20.0)
    (finding,) = lot["findings"]
    assert finding["code"] == "overdrawn"
    assert "20 g more was taken from lot vitriol-1" in finding["detail"]
    for code in ("C-1", "C-2"):
        assert "overdrawn" in {each["code"] for each in desk.view("runs", code)["findings"]}
    desk.put("lots", "vitriol-1", VITRIOL_LOT | {"amount": "100 g"})
    assert desk.view("lots", "vitriol-1")["findings"] == []
    assert desk.view("lots", "vitriol-1")["on_hand_g"] == 0.0
    assert desk.view("runs", "C-2")["findings"] == []


def test_what_cannot_be_converted_is_said(desk: Desk) -> None:
    desk.fill()
    desk.put("lots", "ash-water", {"material": "soda-ash", "amount": "1 L", "concentration": "1 mol/L"})
    found = desk.view("lots", "ash-water")
    assert found["on_hand_ml"] == 1000.0
    assert found["on_hand_g"] is None
    assert "density" in found["reasons"]["on_hand_g"]


def test_of_a_failed_run_that_nobody_weighed_out_no_balance_is_stored(desk: Desk) -> None:
    desk.fill()
    for code, more in (("C-lost", {}), ("C-gone", {"all_weighed": True})):
        run(desk, code, status="failed", outturns=[], **more)
    for _ in ("as written", "derived again"):
        lost, gone = (desk.view("runs", code)["result"] for code in ("C-lost", "C-gone"))
        assert (lost["mass_balance"], lost["mass_balance_u"]) == (None, None)
        assert lost["reasons"]["mass_balance"] == "nothing was weighed out"
        assert gone["mass_balance"] == 0.0
        with desk.opened() as book:
            stored = stored_outcomes(book.reading, ["C-lost", "C-gone"])
            assert [stored[code].row["mass_balance"] for code in ("C-lost", "C-gone")] == [None, 0.0]
            assert audit_of(book) == []
        rebuild(desk.database, desk.workshop_id)
