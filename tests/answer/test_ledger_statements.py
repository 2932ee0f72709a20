"""What is asked about one lot or run reads its own lines by their indexes, however large the ledger is."""

from __future__ import annotations

from typing import Any

import pytest
from sqlalchemy import event

from service.answer.lot_ancestry import ancestry_of
from service.answer.lot_cost import lot_cost_of
from service.answer.run_cost import run_cost_of
from service.answer.snapshot import Memory
from service.store.tables import entries, lots, outcomes, runs
from tests.answer.desk import TODAY, Desk
from tests.answer.small import run, shop

TABLES = [table.name for table in (entries, lots, outcomes, runs)]
GONE_THROUGH = ("src", "asked", "takes", "json_each")
"""What a statement makes or is given: nothing of it is of other lots."""


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_no_statement_about_one_lot_goes_through_the_workshop(desk: Desk) -> None:
    """SQLite says how it would go about each, without statistics, as they are in a new book."""
    desk.fill()
    shop(desk)
    for code in ("r1", "r2", "r3"):
        run(desk, code)
    parts = [{"lot": f"{code}-lot", "amount": "4 g"} for code in ("r1", "r2")]
    desk.put("pools", "p", {"made_on": "2026-05-30", "from": parts, "lot": "pool"})
    sent: list[tuple[str, Any]] = []

    def listener(_connection: Any, _cursor: Any, statement: str, parameters: Any, *_: Any) -> None:
        if statement.startswith(("SELECT", "WITH")):
            sent.append((statement, parameters))

    event.listen(desk.database._engine, "before_cursor_execute", listener)
    try:
        for asked, code in (
            (lot_cost_of, "vitriol-1"), (lot_cost_of, "pool"), (ancestry_of, "vitriol-1"), (ancestry_of, "r1-lot"),
            (ancestry_of, "pool"), (run_cost_of, "r3"),
        ):  # fmt: skip
            desk.memory = Memory()
            with desk.opened() as book:
                asked(book, code, as_of=TODAY)
    finally:
        event.remove(desk.database._engine, "before_cursor_execute", listener)
    lines: list[str] = []
    with desk.database.looking() as connection:
        for statement, parameters in sent:
            rows = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {statement}", parameters)
            lines += [str(row.detail) for row in rows]
    assert any("USING COVERING INDEX ix_entries_workshop_lot (workshop=? AND lot=?)" in line for line in lines)
    assert any("USING INDEX ix_lots_workshop_source (workshop=? AND source_kind=?" in line for line in lines)
    # By whatever name a statement calls a table.
    scanned = [line for line in lines if line.startswith("SCAN ") and line.split()[1] not in GONE_THROUGH]
    assert scanned == []
    whole = [line for line in lines if line.endswith("(workshop=?)")]
    assert [line for line in whole if line.split()[1] in {*TABLES, "e", "l", "made", "o", "r"}] == []
