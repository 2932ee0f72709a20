"""What rests on a record is derived again in the same transaction; what comes out equal is not touched."""

from __future__ import annotations

from typing import Any

import pytest

from service.errors import Conflict, InvalidInput
from service.record.rebuild import rebuild
from service.store import standing
from tests.store.book import CARBONATE_RUN, MATERIALS, ROAST_RUN, ROUTE, VITRIOL_LOT, Book, altered


def pool_of(*parts: tuple[str, str], lot: str = "malachite-p", **more: Any) -> dict[str, Any]:
    return {
        "made_on": "2026-04-15",
        "from": [{"lot": code, "amount": amount} for code, amount in parts],
        "lot": lot,
        **more,
    }


def test_a_later_assay_moves_the_runs_that_charge_the_lot_and_no_others(filled: Book) -> None:
    before = filled.outcome("C-1")
    etag = filled.etag("runs", "C-1")
    written = filled.put("lots", "vitriol-1", altered(VITRIOL_LOT, assay="0.49"))
    assert written.moved == ("C-1",)
    now = filled.outcome("C-1")
    assert now.row["theoretical_g"] == pytest.approx(before.row["theoretical_g"] / 2)
    assert (now.state, filled.outcome("R-1").state) == (written.state, 13)
    assert filled.etag("runs", "C-1") != etag


def test_a_note_moves_nothing(filled: Book) -> None:
    before = filled.rows()
    assert filled.put("lots", "vitriol-1", altered(VITRIOL_LOT, note="blue")).moved == ()
    after = filled.rows()
    assert {name for name in before if before[name] != after[name]} == {"lots", "revisions", "workshops"}


def test_a_run_that_comes_out_equal_keeps_its_outcome(filled: Book) -> None:
    kept = filled.outcome("C-1").state
    written = filled.put("runs", "C-1", altered(CARBONATE_RUN, note="stirred by hand"))
    assert (filled.outcome("C-1").state, written.etag) == (kept, f"r2-o{kept}")


def test_a_corrected_outturn_assay_travels_one_level(filled: Book) -> None:
    other = altered(CARBONATE_RUN)
    other["outturns"][0]["assay"] = "0.48"
    before = filled.outcome("R-1").row["theoretical_g"]
    assert filled.put("runs", "C-1", other).moved == ("R-1",)
    assert filled.outcome("R-1").row["theoretical_g"] == pytest.approx(before / 2)


def test_a_molar_mass_moves_what_is_counted_by_it(filled: Book) -> None:
    written = filled.put("materials", "copper-oxide", altered(MATERIALS["copper-oxide"], formula="Cu2O"))
    assert written.moved == ("R-1",)
    assert (
        filled.put("materials", "copper-oxide", altered(MATERIALS["copper-oxide"], formula="Cu2O", phase="solid")).moved
        == ()
    )


def test_an_analyte_moves_the_runs_on_its_forms(filled: Book) -> None:
    filled.put("materials", "crude-malachite", {"name": "crude", "analyte": "malachite"})
    filled.put("lots", "crude-1", {"material": "crude-malachite", "amount": "100 g", "assay": "0.5"})
    filled.put("runs", "R-2", altered(ROAST_RUN, charges=[{"lot": "crude-1", "amount": "10.0 g"}], outturns=[
        {"material": "copper-oxide", "net": "3.0 g"}
    ]))  # fmt: skip
    moved = filled.put("materials", "malachite", altered(MATERIALS["malachite"], formula="Cu3(CO3)2(OH)2")).moved
    assert moved == ("C-1", "R-1", "R-2")


def test_a_pool_is_as_strong_as_its_parts_together(filled: Book) -> None:
    filled.put("lots", "malachite-0", {"material": "malachite", "amount": "30 g", "assay": "0.90"})
    filled.put("pools", "P-1", pool_of(("malachite-1", "6 g"), ("malachite-0", "3 g")))
    made = filled.lot("malachite-p")
    assert made.lot.strength.assay is not None
    assert made.lot.strength.assay.value == pytest.approx((6 * 0.96 + 3 * 0.90) / 9)
    assert (made.amount, filled.left("malachite-p"), filled.left("malachite-0")) == (9 * 10**9, 9 * 10**9, 27 * 10**9)


def test_a_part_that_changes_changes_the_pool_and_what_was_made_from_it(filled: Book) -> None:
    filled.put("lots", "malachite-0", {"material": "malachite", "amount": "30 g", "assay": "0.90"})
    filled.put("pools", "P-1", pool_of(("malachite-1", "6 g"), ("malachite-0", "3 g")))
    filled.put("pools", "P-2", pool_of(("malachite-p", "4 g"), lot="malachite-q"))
    outturns = [{"material": "copper-oxide", "net": "2.0 g"}]
    filled.put(
        "runs", "R-2", altered(ROAST_RUN, charges=[{"lot": "malachite-q", "amount": "4.0 g"}], outturns=outturns)
    )
    written = filled.put("lots", "malachite-0", {"material": "malachite", "amount": "30 g", "assay": "0.60"})
    assert written.moved == ("R-2",)
    assert filled.outcome("R-2").row["key_contained_g"] == pytest.approx(4 * (6 * 0.96 + 3 * 0.60) / 9)
    filled.put("pools", "P-1", pool_of(("malachite-1", "6 g"), ("malachite-0", "3 g"), assay="0.80"))
    assert filled.outcome("R-2").row["key_contained_g"] == pytest.approx(3.2)


def test_a_lot_in_use_keeps_the_material_that_its_runs_state(filled: Book) -> None:
    other = altered(CARBONATE_RUN)
    other["charges"][0]["material"] = "blue-vitriol"
    filled.put("runs", "C-1", other)
    with pytest.raises(Conflict) as refused:
        filled.put("lots", "vitriol-1", altered(VITRIOL_LOT, material="soda-ash"))
    assert refused.value.code == "contradicts-run"


def test_a_missing_density_is_found_rather_than_refused_on_runs_that_stand(filled: Book) -> None:
    charges = [{"lot": "vitriol-1", "amount": "20 mL"}, {"material": "soda-ash", "amount": "23.5 g"}]
    filled.put(
        "runs", "C-2", altered(CARBONATE_RUN, charges=charges, outturns=[{"material": "malachite", "net": "9.0 g"}])
    )
    assert filled.outcome("C-2").row["theoretical_g"] is not None
    without = {name: value for name, value in MATERIALS["blue-vitriol"].items() if name != "density"}
    assert "C-2" in filled.put("materials", "blue-vitriol", without).moved
    assert filled.outcome("C-2").row["theoretical_g"] is None
    assert filled.outcome("C-2").detail["findings"]
    with pytest.raises(InvalidInput):
        filled.put(
            "runs", "C-3", altered(CARBONATE_RUN, charges=charges, outturns=[{"material": "malachite", "net": "9.0 g"}])
        )


# ---- a step that is altered


def altered_route(**more: Any) -> dict[str, Any]:
    route = altered(ROUTE, **more)
    route["steps"][1]["bill"] = [{"material": "carbon-dioxide", "equivalents": "0.1"}]
    return route


def route_revision(book: Book, run: str) -> int:
    with book.reading() as reading:
        return standing.route_revisions(reading, [run])[run]


def test_an_altered_step_with_runs_asks_what_is_meant(filled: Book) -> None:
    before = filled.rows()
    with pytest.raises(InvalidInput) as refused:
        filled.put("routes", "oxide", altered_route())
    (fault,) = refused.value.faults
    assert (fault.pointer, fault.code) == ("/change", "change-needed")
    assert "1 runs" in fault.detail
    assert filled.rows() == before


def test_words_alone_alter_no_step(filled: Book) -> None:
    route = altered(ROUTE)
    route["steps"][1]["name"] = "roast at a dull glow"
    assert filled.put("routes", "oxide", route).moved == ()
    assert route_revision(filled, "R-1") == 1


def test_a_revision_leaves_the_old_runs_with_their_step(filled: Book) -> None:
    old = filled.outcome("R-1")
    written = filled.put("routes", "oxide", altered_route(change="revision"))
    assert written.moved == ()
    assert (filled.outcome("R-1").row, route_revision(filled, "R-1")) == (old.row, 1)
    filled.put("runs", "R-2", altered(ROAST_RUN, outturns=[{"material": "copper-oxide", "net": "2.0 g"}]))
    assert route_revision(filled, "R-2") == 2
    assert filled.outcome("R-2").row["pooled_as"] == old.row["pooled_as"]
    filled.put("runs", "R-1", altered(ROAST_RUN, note="again"))
    assert route_revision(filled, "R-1") == 1


def corrected_route() -> dict[str, Any]:
    route = altered(ROUTE, change="correction")
    route["steps"][1] = {name: value for name, value in ROUTE["steps"][1].items() if name != "reaction"}
    route["steps"][1]["basis"] = "mass-ratio"
    return route


def test_a_correction_computes_its_runs_again(filled: Book) -> None:
    written = filled.put("routes", "oxide", corrected_route())
    assert written.moved == ("R-1",)
    assert (route_revision(filled, "R-1"), route_revision(filled, "C-1")) == (2, 1)
    assert filled.outcome("R-1").row["yield_fraction"] == pytest.approx(0.65)
    assert filled.put("routes", "oxide", corrected_route()).changed is False


def test_a_correction_leaves_the_runs_of_an_older_step(filled: Book) -> None:
    filled.put("routes", "oxide", altered_route(change="revision"))
    filled.put("runs", "R-2", altered(ROAST_RUN, outturns=[{"material": "copper-oxide", "net": "2.0 g"}]))
    assert filled.put("routes", "oxide", corrected_route()).moved == ("R-2",)
    assert (route_revision(filled, "R-1"), route_revision(filled, "R-2")) == (1, 3)


def test_a_step_that_was_run_is_left_out_by_a_revision_only(filled: Book) -> None:
    filled.put("materials", "soot", {"name": "soot"})
    short = altered(ROUTE, product="malachite", steps=ROUTE["steps"][:1])
    with pytest.raises(InvalidInput) as refused:
        filled.put("routes", "oxide", altered(short, change="correction"))
    assert refused.value.faults[0].code == "step-has-runs"
    filled.put("routes", "oxide", altered(short, change="revision"))
    filled.put("runs", "R-1", altered(ROAST_RUN, note="still there"))
    filled.put("lots", "vitriol-1", altered(VITRIOL_LOT, assay="0.49"))
    with pytest.raises(Conflict):
        filled.remove("materials", "copper-oxide")


def test_the_rebuild_makes_every_row_again(filled: Book) -> None:
    filled.put("lots", "malachite-0", {"material": "malachite", "amount": "30 g", "assay": "0.90"})
    filled.put("pools", "P-1", pool_of(("malachite-1", "6 g"), ("malachite-0", "3 g")))
    filled.put("lots", "malachite-0", {"material": "malachite", "amount": "30 g", "assay": "0.60"})
    filled.put("routes", "oxide", corrected_route())
    filled.put("exchange-rates", "chf", {"base": "EUR", "quote": "CHF", "rate": "0.9", "valid_from": "2026-01-01"})
    filled.put("workshop", "workshop", {"currency": "CHF"})
    filled.put("materials", "soda-ash", altered(MATERIALS["soda-ash"], formula="NaHCO3"))
    filled.remove("runs", "R-1")
    filled.put("runs", "R-1", ROAST_RUN)
    before = filled.rows()
    assert rebuild(filled.database, filled.workshop_id) == len(before["revisions"])
    assert filled.rows() == before
