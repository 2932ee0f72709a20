"""Stock entries: what they take, what a recount finds, what a late assay moves; never edited, never removed."""

from __future__ import annotations

import itertools
from typing import Any

import pytest

from service.errors import Conflict, InvalidInput
from service.store import entries
from service.store.balances import balances
from tests.store.book import CARBONATE_RUN, ROAST_RUN, Book, altered
from tests.store.sent import statements

GRAM = 10**9


def faults_of(refused: pytest.ExceptionInfo[InvalidInput]) -> dict[str | None, str]:
    return {fault.pointer: fault.code for fault in refused.value.faults}


def note(
    book: Book, code: str, kind: str, on: str, amount: str | None = None, lot: str = "malachite-1", **more: Any
) -> Any:
    body = {"lot": lot, "kind": kind, "on": on, **({} if amount is None else {"amount": amount}), **more}
    return book.put("stock-entries", code, body)


def take_back(book: Book, code: str, wrong: str, on: str = "2026-06-01") -> None:
    book.put("stock-entries", code, {"reverses": wrong, "on": on, "reason": "the other jar"})


def lines_of(book: Book, *codes: str) -> dict[str, tuple[str, str | None, int | None]]:
    with book.reading() as reading:
        found = entries.of_sources(reading, "stock-entries", list(codes) or None)
    return {line.source_code: (line.kind, line.on, line.quantity) for line in found}


@pytest.mark.parametrize("kind", ["delivery", "sample", "write-off", "disposal"])
def test_they_take_from_their_lot(filled: Book, kind: str) -> None:
    before = filled.left("malachite-1")
    note(filled, "E-1", kind, "2026-05-02", "2.5 g", operator="m2", project="pigments")
    assert filled.left("malachite-1") == before - 2_500_000_000
    assert lines_of(filled) == {"E-1": (kind, "2026-05-02", -2_500_000_000)}


def test_an_amount_is_turned_into_the_lots_own_dimension(filled: Book) -> None:
    filled.put("lots", "acid-1", {"material": "water", "amount": "1 L", "density": "1.10 g/mL"})
    note(filled, "E-1", "disposal", "2026-05-02", "110 g", "acid-1")
    assert filled.left("acid-1") == 900 * 10**6
    note(filled, "E-2", "assay", "2026-05-03", lot="acid-1", density="1.00 g/mL")
    assert filled.left("acid-1") == 890 * 10**6  # by the density that was found, whenever it was found
    note(filled, "E-3", "disposal", "2026-05-04", "1 mol", "acid-1")
    assert filled.left("acid-1") == 890 * 10**6 - round(18.015 * 10**6)


def test_what_cannot_be_converted_is_counted_as_unknown(filled: Book) -> None:
    note(filled, "E-1", "sample", "2026-05-02", "1 mL")
    with filled.reading() as reading:
        assert balances(reading, ["malachite-1"])["malachite-1"].unknown == 1
    with pytest.raises(InvalidInput) as refused:
        note(filled, "E-2", "recount", "2026-05-02", "1 mL")
    assert faults_of(refused) == {"/amount": "cannot-be-converted"}


def test_overdrawing_is_recorded(filled: Book) -> None:
    before = filled.left("malachite-1")
    note(filled, "E-1", "delivery", "2026-05-02", "1 kg")
    assert filled.left("malachite-1") == before - 1000 * GRAM < 0


# ---- never edited, never removed


def test_they_stay_as_they_are(filled: Book) -> None:
    note(filled, "E-1", "sample", "2026-05-02", "1 g")
    before = filled.rows()
    assert not note(filled, "E-1", "sample", "2026-05-02", "1 g").changed
    with pytest.raises(Conflict, match="reverses") as refused:
        note(filled, "E-1", "sample", "2026-05-02", "1.0 g")
    assert refused.value.code == "never-edited"
    with pytest.raises(Conflict, match="reverses") as refused:
        filled.remove("stock-entries", "E-1")
    assert refused.value.code == "never-removed"
    assert filled.rows() == before


def test_what_is_taken_back_never_was(filled: Book) -> None:
    before = filled.left("malachite-1")
    note(filled, "E-1", "sample", "2026-05-02", "1 g")
    take_back(filled, "E-2", "E-1")
    assert filled.left("malachite-1") == before
    assert lines_of(filled) == {"E-1": ("sample", "2026-05-02", -GRAM), "E-2": ("sample", "2026-05-02", GRAM)}


@pytest.mark.parametrize(
    ("wrong", "on", "pointer", "code"),
    [
        ("E-1", "2026-06-02", "/reverses", "taken-back-already"),
        ("E-2", "2026-06-02", "/reverses", "reverses-a-reversal"),
        ("E-9", "2026-06-02", "/reverses", "unknown-reference"),
        ("E-4", "2026-06-02", "/reverses", "unknown-reference"),
        ("E-3", "2026-05-01", "/on", "wrong-order"),
    ],
)
def test_what_cannot_be_taken_back(filled: Book, wrong: str, on: str, pointer: str, code: str) -> None:
    note(filled, "E-1", "sample", "2026-05-02", "1 g")
    note(filled, "E-3", "sample", "2026-05-02", "1 g")
    take_back(filled, "E-2", "E-1")
    before = filled.rows()
    with pytest.raises(InvalidInput) as refused:
        take_back(filled, "E-4", wrong, on)
    assert faults_of(refused) == {pointer: code}
    assert filled.rows() == before


# ---- recounts


def test_a_recount_says_what_is_there(filled: Book) -> None:
    booked = filled.left("malachite-1")
    note(filled, "E-1", "recount", "2026-05-02", "10 g")
    assert filled.left("malachite-1") == 10 * GRAM
    assert lines_of(filled) == {"E-1": ("recount", "2026-05-02", 10 * GRAM - booked)}
    note(filled, "E-2", "sample", "2026-05-03", "1 g")
    assert filled.left("malachite-1") == 9 * GRAM


def test_what_is_taken_after_the_last_recount_reads_nothing_that_was_taken_before(filled: Book) -> None:
    note(filled, "E-1", "recount", "2026-05-02", "10 g")
    taken = altered(ROAST_RUN, charges=[{"lot": "malachite-1", "amount": "1.00 g"}])
    taken["outturns"] = [{"material": "copper-oxide", "net": "0.5 g"}]
    with statements(filled.database) as sent:
        filled.put("runs", "R-2", altered(taken, finished_on="2026-05-03"))
    assert not [each for each in sent if "FROM entries" in each]
    assert filled.left("malachite-1") == 9 * GRAM
    with statements(filled.database) as sent:
        filled.put("runs", "R-3", altered(taken, finished_on="2026-05-02"))
    assert [each for each in sent if "FROM entries" in each]
    assert filled.left("malachite-1") == 9 * GRAM  # what was counted is there, whoever took before
    filled.put("runs", "R-4", altered(taken, finished_on=None))
    assert filled.left("malachite-1") == 9 * GRAM


def test_an_entry_reads_the_lines_of_its_lot_that_are_later(filled: Book) -> None:
    note(filled, "E-1", "recount", "2026-05-02", "10 g")
    for sent_with in (("E-2", "sample", "2026-05-03", "1 g"), ("E-3", "recount", "2026-05-04", "7 g")):
        with statements(filled.database) as sent:
            note(filled, *sent_with)
        lines = [each for each in sent if "FROM entries" in each]
        assert all("source_kind" in each and ("entries.on >" in each.replace('"', "") or "source_code" in each)
                   for each in lines)  # fmt: skip
    assert filled.left("malachite-1") == 7 * GRAM
    assert lines_of(filled, "E-3") == {"E-3": ("recount", "2026-05-04", -2 * GRAM)}
    note(filled, "E-0", "delivery", "2026-05-03", "1.5 g")
    assert lines_of(filled, "E-3") == {"E-3": ("recount", "2026-05-04", -GRAM // 2)}
    note(filled, "E-4", "delivery", "2026-05-01", "1.5 g")
    assert lines_of(filled, "E-1")["E-1"][2] == 10 * GRAM - (10_410_000_000 - 3 * GRAM // 2)
    assert filled.left("malachite-1") == 7 * GRAM


def test_within_a_day_the_recount_comes_last(filled: Book) -> None:
    note(filled, "E-1", "recount", "2026-05-02", "10 g")
    note(filled, "E-2", "sample", "2026-05-02", "1 g")
    note(filled, "E-0", "delivery", "2026-05-01", "2 g")
    assert filled.left("malachite-1") == 10 * GRAM
    note(filled, "E-3", "recount", "2026-05-02", "9 g")
    assert filled.left("malachite-1") == 9 * GRAM
    assert lines_of(filled, "E-3") == {"E-3": ("recount", "2026-05-02", -GRAM)}


@pytest.mark.parametrize("codes", list(itertools.permutations(["E-1", "E-2", "E-3"])))
def test_of_the_counts_of_a_day_the_lowest_is_that_of_its_end(filled: Book, codes: tuple[str, ...]) -> None:
    """Whatever their codes, and whichever was written first; one in another unit among them."""
    for code, amount in zip(codes, ("9.5 g", "8200 mg", "10 g"), strict=True):
        note(filled, code, "recount", "2026-05-02", amount)
    note(filled, "E-0", "recount", "2026-05-01", "3 g")
    note(filled, "E-4", "sample", "2026-05-03", "1 g")
    assert filled.left("malachite-1") == 72 * GRAM // 10
    take_back(filled, "E-5", codes[1])
    assert filled.left("malachite-1") == 85 * GRAM // 10


def test_a_recount_is_worked_out_again_when_earlier_lines_change(filled: Book) -> None:
    note(filled, "E-1", "recount", "2026-05-02", "5 g")
    for change in (
        lambda: filled.put("runs", "R-1", altered(ROAST_RUN, charges=[{"lot": "malachite-1", "amount": "12 g"}])),
        lambda: filled.put("runs", "R-2", altered(ROAST_RUN, charges=[{"lot": "malachite-1", "amount": "1.00 g"}],
                                                  outturns=[{"material": "copper-oxide", "net": "0.5 g"}])),
        lambda: filled.put("runs", "C-1", altered(CARBONATE_RUN, outturns=[
            {"material": "malachite", "lot": "malachite-1", "net": "21 g", "assay": "0.96"}])),
        lambda: filled.remove("runs", "R-2"),
    ):  # fmt: skip
        change()
        assert filled.left("malachite-1") == 5 * GRAM
    assert lines_of(filled) == {"E-1": ("recount", "2026-05-02", (5 - 21 + 12) * GRAM)}
    filled.put("runs", "R-1", altered(ROAST_RUN, finished_on="2026-05-03"))
    assert filled.left("malachite-1") == -5 * GRAM


def test_a_recount_taken_back_counts_no_more(filled: Book) -> None:
    booked = filled.left("malachite-1")
    note(filled, "E-1", "recount", "2026-05-02", "5 g")
    note(filled, "E-2", "recount", "2026-05-10", "4 g")
    take_back(filled, "E-3", "E-1")
    assert filled.left("malachite-1") == 4 * GRAM
    assert lines_of(filled, "E-2") == {"E-2": ("recount", "2026-05-10", 4 * GRAM - booked)}
    take_back(filled, "E-4", "E-2")
    assert filled.left("malachite-1") == booked


def test_a_plain_run_asks_nothing_more_where_nothing_was_counted(filled: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    from service.record import stock

    asked: list[object] = []
    monkeypatch.setattr(stock, "entries_on", lambda *_: asked.append(1))
    filled.put("runs", "R-1", altered(ROAST_RUN, charges=[{"lot": "malachite-1", "amount": "9 g"}]))
    assert asked == []


# ---- assays


def test_a_late_assay_moves_the_run_that_made_the_lot_and_those_that_took_it(filled: Book) -> None:
    made, took = filled.outcome("C-1").row, filled.outcome("R-1").row
    written = note(filled, "E-1", "assay", "2026-05-02", assay="0.48")
    assert written.moved == ("C-1", "R-1")
    assert filled.outcome("C-1").row["yield_fraction"] == pytest.approx(made["yield_fraction"] / 2, rel=1e-12)
    assert filled.outcome("R-1").row["theoretical_g"] == pytest.approx(took["theoretical_g"] / 2, rel=1e-12)
    assert lines_of(filled) == {}
    take_back(filled, "E-2", "E-1")
    assert (filled.outcome("C-1").row, filled.outcome("R-1").row) == (made, took)


def test_the_newest_assay_counts_and_stays_when_its_run_is_written_again(filled: Book) -> None:
    note(filled, "E-2", "assay", "2026-05-03", assay="0.5")
    note(filled, "E-1", "assay", "2026-05-02", assay="0.9", loss_on_drying="0.1")
    strength = filled.lot("malachite-1").lot.strength
    assert strength.assay is not None
    assert strength.loss_on_drying is not None
    assert (strength.assay.value, strength.loss_on_drying.value) == (0.5, 0.1)
    filled.put("runs", "C-1", altered(CARBONATE_RUN, note="written again"))
    assert filled.lot("malachite-1").lot.strength == strength
    assert filled.outcome("C-1").row["contained_g"] == pytest.approx((142.31 - 121.90) * 0.9 * 0.5, rel=1e-9)


def test_an_assay_of_a_lot_of_a_pool_and_of_a_bought_lot(filled: Book) -> None:
    parts = [{"lot": "malachite-1", "amount": "5 g"}]
    filled.put("pools", "P-1", {"made_on": "2026-05-01", "from": parts, "lot": "malachite-p"})
    charges = [{"lot": "malachite-p", "amount": "4 g"}]
    roast = altered(
        ROAST_RUN, finished_on="2026-05-05", charges=charges, outturns=[{"material": "copper-oxide", "net": "1 g"}]
    )
    filled.put("runs", "R-2", roast)
    assert note(filled, "E-1", "assay", "2026-05-10", lot="malachite-p", assay="0.5").moved == ("R-2",)
    note(filled, "E-2", "assay", "2026-05-10", assay="0.6")
    assay = filled.lot("malachite-p").lot.strength.assay
    assert assay is not None
    assert assay.value == 0.5  # measured on the pool itself: what its parts turn out to be moves it no more
    written = note(filled, "E-3", "assay", "2026-05-10", lot="vitriol-1", assay="0.49")
    assert written.moved == ("C-1",)


# ---- days


def test_nothing_is_noted_of_a_lot_before_it_exists(filled: Book) -> None:
    with pytest.raises(InvalidInput) as refused:
        note(filled, "E-1", "assay", "2026-04-11", assay="0.9")
    assert faults_of(refused) == {"/on": "before-it-existed"}
    note(filled, "E-1", "assay", "2026-04-12", assay="0.9")
