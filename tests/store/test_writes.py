"""The write stories: preconditions, replays, references, and what others have to say about a record."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from service.errors import Conflict, InvalidInput, RevisionRequired, StaleRevision, UnknownRecord
from service.record.put import post_record, put_record
from service.record.written import Written
from service.store import entries, links, records, shelf
from service.store.balances import Balance, balances
from service.store.session import Database
from tests.store.book import AT, CARBONATE_RUN, MATERIALS, ROAST_RUN, ROUTE, VITRIOL_LOT, Book, altered


def faults_of(refused: pytest.ExceptionInfo[InvalidInput]) -> dict[str | None, str]:
    return {fault.pointer: fault.code for fault in refused.value.faults}


# ---- versions


def test_a_new_record_is_created_and_moves_the_state_by_one(book: Book) -> None:
    before = book.state()
    written = book.put("materials", "water", MATERIALS["water"])
    assert written == Written("materials", "water", True, True, 1, before + 1, "r1")
    assert book.state() == before + 1


@pytest.mark.parametrize("if_match", [None, "*", '"r7"'])
def test_an_equal_body_changes_nothing_whatever_if_match_says(book: Book, if_match: str | None) -> None:
    book.put("materials", "water", MATERIALS["water"])
    before = book.rows()
    reordered = dict(reversed(MATERIALS["water"].items()))
    written = book.put("materials", "water", reordered | {"code": "water"}, if_match=if_match)
    assert (written.changed, written.created, written.etag, written.state) == (False, False, "r1", book.state())
    assert book.rows() == before


def test_another_body_needs_the_current_version(book: Book) -> None:
    book.put("materials", "water", MATERIALS["water"])
    other = altered(MATERIALS["water"], name="rain water")
    before = book.rows()
    with pytest.raises(RevisionRequired):
        book.put("materials", "water", other, if_match=None)
    with pytest.raises(StaleRevision):
        book.put("materials", "water", other, if_match='"r2"')
    with pytest.raises(StaleRevision) as refused:
        book.put("materials", "water", other, if_match=None, if_none_match=True)
    assert refused.value.code == "already-exists"
    assert book.rows() == before
    assert book.put("materials", "water", other, if_match='W/"r1-gzip"').etag == "r2"
    assert book.put("materials", "water", MATERIALS["water"], if_match="*").etag == "r3"


def test_if_match_on_nothing_is_stale(book: Book) -> None:
    with pytest.raises(StaleRevision):
        book.put("materials", "water", MATERIALS["water"], if_match='"r1"')


def test_a_number_written_otherwise_is_another_body(book: Book) -> None:
    book.put("materials", "water", altered(MATERIALS["water"], density="0.998 g/mL"))
    assert book.put("materials", "water", altered(MATERIALS["water"], density="0.9980 g/mL")).changed


def test_of_two_racers_with_one_version_one_wins(book: Book) -> None:
    book.put("materials", "water", MATERIALS["water"])
    ready, results = threading.Barrier(2), []

    def race(name: str) -> None:
        ready.wait()
        try:
            results.append(book.put("materials", "water", altered(MATERIALS["water"], name=name), if_match='"r1"').etag)
        except StaleRevision:
            results.append("stale")

    racers = [threading.Thread(target=race, args=(name,)) for name in ("rain water", "spring water")]
    for racer in racers:
        racer.start()
    for racer in racers:
        racer.join()
    assert sorted(map(str, results)) == ["r2", "stale"]


# ---- made codes and keys


def post(book: Book, kind: str, body: dict[str, Any], key: str | None = None) -> Written:
    return post_record(book.database, book.workshop_id, kind, body, idempotency_key=key, by="m1", at=AT)


def test_a_made_code_names_the_kind_and_the_state(book: Book) -> None:
    written = post(book, "materials", MATERIALS["water"])
    assert (written.code, written.created) == (f"material-{written.state}", True)


def test_a_made_code_steps_aside_for_one_that_is_taken(book: Book) -> None:
    taken = f"material-{book.state() + 2}"
    book.put("materials", taken, MATERIALS["water"])
    assert post(book, "materials", MATERIALS["water"]).code == f"{taken}-1"


def test_a_key_finds_its_record_again(book: Book) -> None:
    first = post(book, "materials", MATERIALS["water"], "k1")
    before = book.rows()
    again = post(book, "materials", MATERIALS["water"], "k1")
    assert (again.code, again.replayed, again.changed, again.etag) == (first.code, True, False, first.etag)
    assert book.rows() == before
    with pytest.raises(InvalidInput) as refused:
        post(book, "materials", MATERIALS["soda-ash"], "k1")
    assert refused.value.code == "idempotency-key-reused"


def test_a_key_is_looked_up_before_anything_else_is_asked(filled: Book) -> None:
    first = post(filled, "runs", altered(ROAST_RUN, outturns=[{"material": "copper-oxide", "net": "3.0 g"}]), "k1")
    filled.remove("runs", first.code)
    # What the run was made of is looked up after the key: a lot that is gone would answer otherwise.
    with pytest.raises(Conflict) as refused:
        post(filled, "runs", altered(ROAST_RUN, outturns=[{"material": "copper-oxide", "net": "3.0 g"}]), "k1")
    assert refused.value.code == "removed-since"
    assert first.code in str(refused.value)


def test_a_key_used_at_once_has_one_effect(book: Book) -> None:
    results: list[Written] = []
    callers = [
        threading.Thread(target=lambda: results.append(post(book, "materials", MATERIALS["water"], "k1")))
        for _ in range(8)
    ]
    for caller in callers:
        caller.start()
    for caller in callers:
        caller.join()
    assert len({written.code for written in results}) == 1
    assert sorted(written.replayed for written in results) == [False] + [True] * 7
    with book.reading() as reading:
        assert len(records.history(reading, "materials", results[0].code)) == 1


# ---- removal


def test_removal_leaves_a_tombstone_and_a_later_put_counts_on(book: Book) -> None:
    book.put("materials", "water", MATERIALS["water"])
    with pytest.raises(RevisionRequired):
        book.remove("materials", "water", if_match=None)
    with pytest.raises(StaleRevision):
        book.remove("materials", "water", if_match="r9")
    assert book.remove("materials", "water", if_match="r1").revision == 2
    with book.reading() as reading:
        assert records.current(reading, "materials", "water") is None
        assert [stored.deleted for stored in records.history(reading, "materials", "water")] == [True, False]
    with pytest.raises(UnknownRecord):
        book.remove("materials", "water")
    again = book.put("materials", "water", MATERIALS["water"])
    assert (again.created, again.etag) == (True, "r3")


def test_what_others_refer_to_stays(filled: Book) -> None:
    before = filled.rows()
    for kind, code in [("materials", "soda-ash"), ("lots", "vitriol-1"), ("routes", "oxide"), ("projects", "pigments")]:
        with pytest.raises(Conflict) as refused:
            filled.remove(kind, code)
        assert refused.value.code == "referred-to"
        assert refused.value.extra["referred_to_by"]
    with pytest.raises(Conflict) as refused:
        filled.remove("runs", "C-1")  # its lot went into R-1
    assert refused.value.extra["referred_to_by"] == [{"kind": "runs", "code": "R-1"}]
    with pytest.raises(Conflict):
        filled.remove("workshop", "workshop")
    assert filled.rows() == before


def test_everything_can_be_removed_from_the_end(filled: Book) -> None:
    for kind, code in [("runs", "R-1"), ("runs", "C-1"), ("lots", "vitriol-1"), ("routes", "oxide")]:
        filled.remove(kind, code)
    for code in MATERIALS:
        filled.remove("materials", code)
    filled.remove("projects", "pigments")
    left = {name: rows for name, rows in filled.rows().items() if rows}
    assert left.keys() == {"revisions", "workshops"}


# ---- references


def test_every_unknown_reference_is_named_with_the_nearest_code(filled: Book) -> None:
    wrong = altered(CARBONATE_RUN, project="pigment", step="carbonat")
    wrong["charges"][0]["lot"] = "vitriol-2"
    wrong["charges"][1]["material"] = "soda-ahs"
    with pytest.raises(InvalidInput) as refused:
        filled.put("runs", "C-2", wrong)
    assert faults_of(refused) == dict.fromkeys(
        ["/project", "/charges/0/lot", "/charges/1/material"], "unknown-reference"
    )
    assert "did you mean 'pigments'?" in refused.value.faults[0].detail + refused.value.faults[1].detail


def test_the_step_is_one_of_the_route(filled: Book) -> None:
    with pytest.raises(InvalidInput) as refused:
        filled.put("runs", "C-2", altered(ROAST_RUN, step="roost", outturns=[]))
    assert faults_of(refused).keys() <= {"/step", "/outturns"}
    with pytest.raises(InvalidInput) as refused:
        filled.put("runs", "C-2", altered(ROAST_RUN, step="roost", outturns=[{"material": "water", "net": "1.0 g"}]))
    assert faults_of(refused) == {"/step": "unknown-reference"}
    assert "'roast'" in refused.value.faults[0].detail


def test_a_charge_of_another_material_than_its_lot_is_refused(filled: Book) -> None:
    wrong = altered(ROAST_RUN, outturns=[{"material": "copper-oxide", "net": "1.0 g"}])
    wrong["charges"][0]["material"] = "soda-ash"
    with pytest.raises(InvalidInput) as refused:
        filled.put("runs", "R-2", wrong)
    assert faults_of(refused) == {"/charges/0/material": "another-material"}


def test_an_unbalanced_reaction_is_refused(book: Book) -> None:
    for code, body in MATERIALS.items():
        book.put("materials", code, body)
    wrong = altered(ROUTE)
    wrong["steps"][1]["reaction"]["products"]["copper-oxide"] = 3
    with pytest.raises(InvalidInput) as refused:
        book.put("routes", "oxide", wrong)
    assert faults_of(refused) == {"/steps/1/reaction": "unbalanced-reaction"}


def test_routes_do_not_wait_for_each_other(filled: Book) -> None:
    sub = {
        "name": "carbonate",
        "product": "malachite",
        "steps": [{**ROUTE["steps"][0]}],
    }
    filled.put("routes", "carbonate", sub)
    whole = altered(ROUTE, steps=[{**ROUTE["steps"][1], "from_route": "carbonate"}])
    filled.put("routes", "by-carbonate", whole)
    back = altered(sub)
    back["steps"][0]["bill"][1]["from_route"] = "by-carbonate"
    with pytest.raises(InvalidInput) as refused:
        filled.put("routes", "carbonate", back)
    assert faults_of(refused) == {"/steps/0/bill/1/from_route": "circle"}


# ---- lots that are written through runs and pools


@pytest.mark.parametrize("if_match", [None, "*", '"r1"'])
def test_a_made_lot_is_written_through_its_run(filled: Book, if_match: str | None) -> None:
    with pytest.raises(Conflict) as refused:
        put_record(
            filled.database,
            filled.workshop_id,
            "lots",
            "malachite-1",
            {"material": "malachite", "amount": "20 g"},
            if_match=if_match,
            by="m1",
            at=AT,
        )
    assert refused.value.code == "written-through"
    assert refused.value.extra["written_through"] == {"kind": "runs", "code": "C-1"}
    with pytest.raises(Conflict, match="write it through that"):
        filled.remove("lots", "malachite-1")


def test_a_run_makes_no_lot_that_is_there_already(filled: Book) -> None:
    for taken in ("vitriol-1", "malachite-1"):
        outturns = [{"material": "copper-oxide", "net": "1.0 g", "lot": taken}]
        charges = [{"material": "malachite", "amount": "2.0 g"}]
        with pytest.raises(InvalidInput) as refused:
            filled.put("runs", "R-2", altered(ROAST_RUN, charges=charges, outturns=outturns))
        assert faults_of(refused) == {"/outturns/0/lot": "lot-exists"}


def test_a_lot_that_was_used_cannot_cease_to_be_made(filled: Book) -> None:
    other = altered(CARBONATE_RUN)
    other["outturns"][0]["lot"] = "malachite-9"
    with pytest.raises(Conflict) as refused:
        filled.put("runs", "C-1", other)
    assert refused.value.code == "referred-to"
    filled.remove("runs", "R-1")
    filled.put("runs", "C-1", other)
    with filled.reading() as reading:
        assert {"malachite-9"} == shelf.stored_lots(reading, ["malachite-1", "malachite-9"]).keys()


def test_nothing_is_its_own_ancestor(filled: Book) -> None:
    filled.put("lots", "malachite-0", {"material": "malachite", "amount": "5 g"})
    pool = {"made_on": "2026-04-15", "from": [{"lot": "malachite-0", "amount": "5 g"}], "lot": "malachite-p"}
    filled.put("pools", "P-1", pool)
    filled.put("pools", "P-2", altered(pool, lot="malachite-q", **{"from": [{"lot": "malachite-p", "amount": "2 g"}]}))
    back = altered(pool, **{"from": [{"lot": "malachite-0", "amount": "1 g"}, {"lot": "malachite-q", "amount": "1 g"}]})
    before = filled.rows()
    with pytest.raises(InvalidInput) as refused:
        filled.put("pools", "P-1", back)
    assert faults_of(refused) == {"/lot": "own-ancestor"}
    assert filled.rows() == before


def test_a_pool_is_of_one_material(filled: Book) -> None:
    parts = [{"lot": "malachite-1", "amount": "1 g"}, {"lot": "vitriol-1", "amount": "1 g"}]
    with pytest.raises(InvalidInput) as refused:
        filled.put("pools", "P-1", {"made_on": "2026-04-15", "from": parts, "lot": "malachite-p"})
    assert faults_of(refused) == {"/from/1/lot": "another-material"}


# ---- what a write leaves behind


def test_the_ledger_counts_in_whole_units_of_the_lot(filled: Book) -> None:
    assert filled.left("vitriol-1") == 450 * 10**9
    assert filled.left("malachite-1") == 10_410_000_000
    filled.put("lots", "acid-1", {"material": "water", "amount": "1 L", "density": "1.10 g/mL"})
    charges = [{"lot": "malachite-1", "amount": "1.00 g"}, {"lot": "acid-1", "amount": "25.3 g"}]
    filled.put(
        "runs", "R-2", altered(ROAST_RUN, charges=charges, outturns=[{"material": "copper-oxide", "net": "0.5 g"}])
    )
    assert filled.left("acid-1") == (1000 - 23) * 10**6  # 25.3 g of 1.10 g/mL are 23 mL


def test_what_cannot_be_converted_is_counted_as_unknown(filled: Book) -> None:
    filled.put("lots", "ash-1", {"material": "soda-ash", "amount": "1 kg"})
    charges = [{"lot": "malachite-1", "amount": "1.00 g"}, {"lot": "ash-1", "amount": "10 mL"}]
    filled.put(
        "runs", "R-2", altered(ROAST_RUN, charges=charges, outturns=[{"material": "copper-oxide", "net": "0.5 g"}])
    )
    with filled.reading() as reading:
        assert balances(reading, ["ash-1"])["ash-1"] == Balance("mass", 10**12, 1)
        (line,) = [line for line in entries.of_lots(reading, ["ash-1"]) if line.kind == "charge"]
    assert (line.quantity, line.reason) == (None, "the density of soda-ash is not known")


def test_large_lines_add_exactly(filled: Book) -> None:
    # Ten lines of a thousand tonnes are more nanograms than 64 bits hold.
    filled.put("lots", "heap", {"material": "malachite", "amount": "1000 t"})
    charges = [{"lot": "heap", "amount": "1000 t"} for _ in range(12)]
    filled.put(
        "runs", "R-2", altered(ROAST_RUN, charges=charges, outturns=[{"material": "copper-oxide", "net": "1.0 g"}])
    )
    assert filled.left("heap") == -11 * 10**18


def test_links_are_kept_both_ways(filled: Book) -> None:
    with filled.reading() as reading:
        assert ("lots", "malachite-1") in links.links_from(reading, "runs", "R-1")
        assert ("runs", "R-1") in links.links_to(reading, "lots", ["malachite-1"])
        assert ("runs", "C-1") in links.links_to(reading, "materials", ["sodium-sulfate"])  # named by its step


def test_no_row_crosses_to_another_workshop(filled: Book, database: Database) -> None:
    other = Book(database, "other-" + filled.rows()["workshops"][0][1])
    before = filled.rows()
    with pytest.raises(InvalidInput):
        other.put("lots", "vitriol-1", VITRIOL_LOT)  # the material is the other workshop's
    other.fill_with_runs()
    other.put("lots", "vitriol-1", altered(VITRIOL_LOT, assay="0.5"))
    other.remove("runs", "R-1")
    assert filled.rows() == before
