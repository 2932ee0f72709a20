"""The audit finds nothing in a sound book, and in a torn one what was torn and nothing else."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest
from sqlalchemy import Table, update

from service.answer.ledger_audit import audit_of, run_balances
from service.store.tables import entries, outcomes
from tests.answer.desk import Desk
from tests.store.book import CARBONATE_RUN, ROAST_RUN, altered
from tests.world import make_world

GRAM = 10**9


def audited(desk: Desk) -> list[str]:
    with desk.opened() as book:
        return audit_of(book)


@pytest.fixture
def sound(desk: Desk) -> Desk:
    """Two runs, one of which put more on the shelf than by weight came out of it, and a lot that is overdrawn."""
    desk.fill_with_runs()
    outturns = [*CARBONATE_RUN["outturns"], {"material": "water", "role": "waste", "net": "300 mL"}]
    outturns.append({"material": "soda-ash", "role": "recovered", "lot": "ash-back", "net": "1.5 g"})
    desk.put("runs", "C-1", altered(CARBONATE_RUN, outturns=outturns))
    charge = {"lot": "malachite-1", "amount": "19 g"}
    desk.put("runs", "R-2", altered(ROAST_RUN, charges=[charge], outturns=[{**ROAST_RUN["outturns"][0], "lot": "o-2"}]))
    return desk


def test_a_sound_book(sound: Desk) -> None:
    assert audited(sound) == []
    with sound.opened() as book:
        found = run_balances(book)["C-1"]
    # 50.0 g, 23.5 g and 400 mL of water at 0.998 g/mL went in.
    assert found.taken_ng == 4727 * GRAM // 10
    assert found.given_ng == {
        "product": 2041 * GRAM // 100, "co-product": 0, "recovered": 15 * GRAM // 10, "waste": 2994 * GRAM // 10,
    }  # fmt: skip
    assert found.unaccounted_ng == 15139 * GRAM // 100


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
def test_a_generated_book(desk: Desk) -> None:
    desk.load(make_world(5, routes=2, steps_per_route=3, runs_per_step=8))
    assert audited(desk) == []
    with desk.opened() as book:
        balances = run_balances(book)
    assert len(balances) > 30
    assert all(
        each.taken_ng == sum(each.given_ng.values()) + each.unaccounted_ng and each.taken_ng > 0
        for each in balances.values()
    )


def torn(desk: Desk, table: Table, values: dict[str, Any], **where: Any) -> None:
    """Change derived rows behind the service's back."""
    with desk.database.administering() as connection:
        own = (table.c[name] == value for name, value in where.items())
        found = connection.execute(update(table).where(table.c.workshop == desk.workshop_id, *own).values(**values))
        assert found.rowcount == 1


@pytest.mark.parametrize(
    ("tear", "expected"),
    [
        (
            lambda desk: torn(desk, entries, {"quantity": -49 * GRAM}, source_code="C-1", kind="charge", line=0),
            ["lot vitriol-1 is told to hold 450000000000, and its lines come to 451000000000",
             "charge 0 of run C-1 is 49000000000 ng by its line, and 50000000000 by its outcome",
             "run C-1 leaves 150390000000 ng unaccounted for, and by its outcome"],
        ),
        (
            lambda desk: torn(desk, outcomes, {"mass_balance": 0.5}, run="R-1"),
            ["run R-1 leaves 3500000000 ng unaccounted for, and by its outcome 5000000000"],
        ),
    ],
    ids=["a line", "an outcome"],
)  # fmt: skip
def test_a_torn_book(sound: Desk, tear: Callable[[Desk], None], expected: list[str]) -> None:
    assert ROAST_RUN["charges"][0]["amount"] == "10.00 g"
    tear(sound)
    found = audited(sound)
    assert len(found) == len(expected), found
    for sentence, start in zip(found, expected, strict=True):
        assert sentence.startswith(start)
