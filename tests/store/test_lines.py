"""The ledger's lines: what a record states of amounts, money, work and waste, in exact integers."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from alembic import command
from sqlalchemy import text
from sqlalchemy.exc import IntegrityError

from service.store import entries
from service.store.balances import Balance, balances
from service.store.entries import Entry
from service.store.session import open_database
from service.store.upgrade import migration_settings
from tests.store.book import CARBONATE_RUN, ROAST_RUN, VITRIOL_LOT, Book, altered


def lines_of(book: Book, kind: str, code: str) -> dict[tuple[str, int], Entry]:
    with book.reading() as reading:
        return {(line.kind, line.line): line for line in entries.of_sources(reading, kind, [code])}


def test_a_lots_line_has_its_value(filled: Book) -> None:
    line = lines_of(filled, "lots", "vitriol-1")["opening", 0]
    assert (line.quantity, line.price_micro, line.currency) == (500 * 10**9, 6_500_000, "EUR")
    filled.put("lots", "vitriol-1", {key: value for key, value in VITRIOL_LOT.items() if key != "value"})
    line = lines_of(filled, "lots", "vitriol-1")["opening", 0]
    assert (line.price_micro, line.currency) == (None, None)


def test_a_charges_own_price_is_rounded_once(filled: Book) -> None:
    def soda(amount: str, per: str) -> dict[str, Any]:
        return {"material": "soda-ash", "amount": amount, "price": {"amount": "1", "currency": "EUR", "per": per}}

    charges = [CARBONATE_RUN["charges"][0], soda("1 g", "3 g"), soda("0.5 g", "1 t"), soda("1.5 g", "1 t"),
               soda("1 g", "1 mL"), {"material": "water", "amount": "400 mL"}]  # fmt: skip
    filled.put("runs", "C-1", altered(CARBONATE_RUN, charges=charges))
    lines = lines_of(filled, "runs", "C-1")
    # A third, two halves to the even one, and a price by volume where no density is known.
    assert [lines["charge", i].price_micro for i in range(6)] == [None, 333_333, 0, 2, None, None]
    assert [lines["charge", i].currency for i in range(6)] == [None, "EUR", "EUR", "EUR", None, None]


def test_work_and_what_goes_on_no_shelf_have_lines(filled: Book) -> None:
    money = {"amount": "0.15", "currency": "EUR"}
    outturns = [
        {"material": "copper-oxide", "net": "6.50 g", "lot": "oxide-1", "cost_share": "0.3333333"},
        {"material": "malachite", "net": "1 g", "role": "recovered", "lot": "malachite-r", "credit": money},
        {"material": "water", "net": "20 mL", "role": "waste", "waste_class": "copper-liquor"},
        {"material": "copper-oxide", "net": "1 g", "lot": "oxide-2", "realisable_value": money},
    ]
    filled.put("runs", "R-1", altered(ROAST_RUN, outturns=outturns, labour="20 min", energy="1 J"))
    lines = lines_of(filled, "runs", "R-1")
    assert lines["labour", 0] == Entry("runs", "R-1", "labour", 0, None, None, "2026-04-20", "time", 1_200_000)
    assert lines["energy", 0] == Entry("runs", "R-1", "energy", 0, None, None, "2026-04-20", "energy", 1000)
    oxide, recovered, waste = (lines["outturn", i] for i in range(3))
    assert (oxide.role, oxide.cost_share_micro, oxide.credit_micro) == ("product", 333_333, None)
    assert (recovered.role, recovered.credit_micro, recovered.currency) == ("recovered", 150_000, "EUR")
    assert (lines["outturn", 3].price_micro, lines["outturn", 3].currency) == (150_000, "EUR")
    assert (waste.lot, waste.role, waste.waste_class, waste.quantity) == (None, "waste", "copper-liquor", 20 * 10**6)
    assert filled.left("malachite-1") == 10_410_000_000


def test_rows_of_the_schema_before_are_kept(tmp_path: Path) -> None:
    database = open_database(f"sqlite:///{tmp_path}/old.db")
    with database.administering() as connection:
        settings = migration_settings()
        settings.attributes["connection"] = connection
        command.upgrade(settings, "0003")
        for statement in (
            "INSERT INTO workshops (id, name, state, currency) VALUES (1, 'attic', 3, 'EUR')",
            "INSERT INTO materials (workshop, code, revision, name, phase, solvent, state) "
            "VALUES (1, 'ash', 1, 'ash', 'solid', 0, 1)",
            "INSERT INTO lots (workshop, code, revision, material, dimension, amount, strength, source_kind, "
            "source_code, origin, state) VALUES (1, 'ash-1', 1, 'ash', 'mass', 5, '{}', 'lots', 'ash-1', 'opening', 2)",
            "INSERT INTO entries (workshop, source_kind, source_code, kind, line, lot, material, dimension, quantity, "
            "state) VALUES (1, 'lots', 'ash-1', 'opening', 0, 'ash-1', 'ash', 'mass', 5, 2)",
        ):
            connection.execute(text(statement))
    database.upgrade()
    with database.reading(1) as reading:
        assert entries.of_lots(reading) == [Entry("lots", "ash-1", "opening", 0, "ash-1", "ash", None, "mass", 5)]
        assert balances(reading) == {"ash-1": Balance("mass", 5, 0)}
    database.close()


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE entries SET role = NULL WHERE kind = 'outturn'",
        "UPDATE entries SET currency = NULL WHERE price_micro IS NOT NULL",
        "UPDATE entries SET material = NULL WHERE kind = 'charge'",
        "UPDATE entries SET lot = NULL WHERE kind = 'opening'",
    ],
)
def test_the_database_refuses_half_a_line(filled: Book, statement: str) -> None:
    with pytest.raises(IntegrityError), filled.database.administering() as connection:
        connection.execute(text(statement))
