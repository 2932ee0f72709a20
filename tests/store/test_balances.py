"""What is kept of a lot's balance is the sum of its lines: whoever writes at once, and however large the lines are."""

from __future__ import annotations

import threading
from collections.abc import Iterable

import pytest
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.record.rebuild import rebuild
from service.store import entries
from service.store.balances import GIGA, Balance, balance_of, balances, below_zero, put_balances
from service.store.entries import Entry, Move, replace_entries
from tests.store.book import AT, CARBONATE_RUN, VITRIOL_LOT, Book, altered


def sums(lines: Iterable[Entry]) -> dict[str, Balance]:
    """The balances by the other road: line by line, in whole numbers of any size."""
    found: dict[str, Balance] = {}
    for line in lines:
        assert line.lot is not None
        left = found.get(line.lot, Balance(line.dimension, 0, 0))
        found[line.lot] = left.moved(line.quantity or 0, line.quantity is None)
    return found


def assert_kept(book: Book) -> dict[str, Balance]:
    with book.reading() as reading:
        kept = balances(reading)
        assert kept == sums(entries.of_lots(reading))
        assert below_zero(reading) == {lot: left for lot, left in kept.items() if left.quantity < 0}
        some = sorted(kept)[:2]
        assert balances(reading, some) == {lot: kept[lot] for lot in some}
    return kept


def test_a_lot_holds_what_was_put_there_less_what_was_taken(filled: Book) -> None:
    assert assert_kept(filled)["vitriol-1"] == Balance("mass", 450 * GIGA, 0)
    filled.put("runs", "C-1", altered(CARBONATE_RUN, charges=[{"lot": "vitriol-1", "amount": "600 g"}]))
    assert assert_kept(filled)["vitriol-1"] == Balance("mass", -100 * GIGA, 0)
    filled.remove("runs", "R-1")
    filled.remove("runs", "C-1")
    assert assert_kept(filled) == {"vitriol-1": Balance("mass", 500 * GIGA, 0)}


def test_a_lot_that_is_measured_otherwise_is_counted_otherwise(filled: Book) -> None:
    filled.put("lots", "vitriol-1", altered(VITRIOL_LOT, amount="300 mL", density="2.0 g/mL"))
    assert assert_kept(filled)["vitriol-1"] == Balance("volume", 275 * 10**6, 0)
    filled.put("lots", "vitriol-1", VITRIOL_LOT)
    assert assert_kept(filled)["vitriol-1"] == Balance("mass", 450 * GIGA, 0)


def test_what_cannot_be_converted_is_counted_apart(filled: Book) -> None:
    filled.put("lots", "ash-1", {"material": "soda-ash", "amount": "1 kg"})
    filled.put("stock-entries", "E-1", {"lot": "ash-1", "kind": "sample", "on": "2026-05-01", "amount": "20 mL"})
    assert assert_kept(filled)["ash-1"] == Balance("mass", 1000 * GIGA, 1)
    filled.put("lots", "ash-1", {"material": "soda-ash", "amount": "1 kg", "density": "2.5 g/mL"})
    assert assert_kept(filled)["ash-1"] == Balance("mass", 950 * GIGA, 0)


def test_a_write_that_is_refused_moves_no_balance(filled: Book) -> None:
    kept = assert_kept(filled)
    with filled.database.writing(filled.workshop_id, "m1", AT) as writing:
        put_balances(writing, {"vitriol-1": Balance("mass", 1, 0)})
        writing.abandon()
    assert assert_kept(filled) == kept


def test_writers_at_once_lose_nothing(filled: Book) -> None:
    threads, each = 4, 6
    failures: list[BaseException] = []

    def write(name: int) -> None:
        try:
            for i in range(each):
                run = altered(CARBONATE_RUN)
                run["charges"][0]["amount"] = f"1.{name}{i} g"
                run["outturns"][0]["lot"] = f"made-{name}-{i}"
                filled.put("runs", f"T-{name}-{i}", run, if_match=None)
        except BaseException as failure:
            failures.append(failure)

    writers = [threading.Thread(target=write, args=(name,)) for name in range(threads)]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    assert not failures
    taken = sum(10**9 + (name * 10 + i) * 10**7 for name in range(threads) for i in range(each))
    assert assert_kept(filled)["vitriol-1"].quantity == 450 * GIGA - taken
    before = filled.rows()
    rebuild(filled.database, filled.workshop_id)
    assert filled.rows() == before


@pytest.mark.parametrize("quantity", [0, 1, -1, GIGA, -GIGA, 2**70 + 3, -(2**70) - 3])
def test_a_balance_of_any_size_is_kept_exactly(filled: Book, quantity: int) -> None:
    with filled.database.writing(filled.workshop_id, "m1", AT) as writing:
        put_balances(writing, {"vitriol-1": Balance("mass", quantity, 2)})
    with filled.reading() as reading:
        assert balances(reading, ["vitriol-1"]) == {"vitriol-1": Balance("mass", quantity, 2)}
        assert ("vitriol-1" in below_zero(reading)) == (quantity < 0)
    giga, rest = divmod(quantity, GIGA)
    assert balance_of("mass", giga, rest, 2).quantity == quantity


def test_by_how_much_lots_move_is_told(filled: Book) -> None:
    line = Entry("runs", "C-1", "charge", 7, "vitriol-1", "blue-vitriol", "2026-04-11", "mass", -5)
    other = Entry("runs", "C-1", "outturn", 7, "malachite-1", "malachite", None, "mass", 3, role="product")
    with filled.database.writing(filled.workshop_id, "m1", AT) as writing:
        assert replace_entries(writing, [], [line, other]) == {
            "vitriol-1": Move(-5, 0, "2026-04-11"),
            "malachite-1": Move(3, 0, ""),
        }
        assert replace_entries(writing, [line], [line]) == {}
        later = line._replace(on="2026-04-20", quantity=-4)
        assert replace_entries(writing, [line], [later]) == {"vitriol-1": Move(1, 0, "2026-04-11")}
        unknown = later._replace(quantity=None, reason="no density")
        assert replace_entries(writing, [later], [unknown]) == {"vitriol-1": Move(4, 1, "2026-04-20")}
        elsewhere = unknown._replace(lot="malachite-1")
        assert replace_entries(writing, [unknown], [elsewhere]) == {
            "vitriol-1": Move(0, -1, "2026-04-20"),
            "malachite-1": Move(0, 1, "2026-04-20"),
        }
        assert replace_entries(writing, [elsewhere, other], []) == {"malachite-1": Move(-3, -1, "")}
        writing.abandon()


@pytest.mark.parametrize(
    "statement",
    ["UPDATE balances SET rest = -1", "UPDATE balances SET unknown = -1", "UPDATE balances SET lot = 'nowhere'"],
)
def test_the_database_refuses_what_is_no_balance(filled: Book, statement: str) -> None:
    with pytest.raises(IntegrityError), filled.database.administering() as connection:
        connection.execute(text(statement))
