"""The usable runs of a step before another: the same by going through all of them, and found without doing so."""

from __future__ import annotations

from typing import Any

import pytest

from service.store.earlier_runs import _before, earlier_yields
from service.store.outcomes import stored_outcomes
from tests.store.book import CARBONATE_RUN, ROUTE, Book, altered


def carbonate(book: Book, code: str, **changes: Any) -> None:
    run = altered(CARBONATE_RUN, **changes)
    run["outturns"] = [{**each, "lot": f"made-{code}", "net": f"{10 + len(code)} g"} for each in run["outturns"]]
    for each in run["outturns"]:
        each.pop("gross", None)
        each.pop("tare", None)
    if run["status"] == "failed":
        run["outturns"] = []
    book.put("runs", code, run)


def of_many_kinds(book: Book) -> None:
    """Usable runs of several days and of none, and such as are not: failed, left out, of another pooling, later."""
    book.fill()
    for i, day in enumerate(["2026-04-12", "2026-04-14", "2026-04-14", "2026-04-13", "2026-04-20"]):
        carbonate(book, f"C-{'x' * i}{i}", finished_on=day)
    carbonate(book, "C-failed", status="failed")
    carbonate(book, "C-out", exclude={"reason": "wrong flask"})
    for i in range(3):
        carbonate(book, f"U-{'x' * i}{i}", started_on=None, finished_on=None)
    other = altered(ROUTE, change="revision")
    stands = ROUTE["steps"][0]["reaction"]
    more_water = {"reactants": {**stands["reactants"], "water": 1}, "products": {**stands["products"], "water": 10}}
    other["steps"][0]["reaction"] = more_water
    book.put("routes", "oxide", other)
    for code in ("N-1", "N-22"):
        carbonate(book, code, finished_on="2026-04-14")


@pytest.mark.parametrize("most", [1, 3, 50])
def test_they_are_the_newest_before_it(book: Book, most: int) -> None:
    of_many_kinds(book)
    with book.reading() as reading:
        rows = [each.row for each in stored_outcomes(reading).values()]
        assert len({row["pooled_as"] for row in rows}) == 2
        for row in rows:
            usable = [
                each
                for each in rows
                if (each["step"], each["pooled_as"], each["status"]) == (row["step"], row["pooled_as"], "finished")
                and not each["excluded"]
                and (each["yield_fraction"] or 0) > 0
                and (each["finished_on"] is None) == (row["finished_on"] is None)
                and (each["finished_on"] or "", each["run"]) < (row["finished_on"] or "", row["run"])
            ]
            usable.sort(key=lambda each: (each["finished_on"] or "", each["run"]))
            wanted = [(each["yield_fraction"], each["batch_g"]) for each in usable[-most:]]
            assert earlier_yields(reading, row, most) == wanted, row["run"]


@pytest.mark.parametrize("database_url", ["sqlite"], indirect=True)
@pytest.mark.parametrize("dated", [True, False])
def test_nothing_else_of_the_step_is_gone_through(book: Book, dated: bool) -> None:
    """Runs that failed, were left out or pooled otherwise are in no index that this asks, however many there are."""
    with book.database.looking() as connection:
        compiled = _before(dated=dated).compile(dialect=connection.dialect)
        nothing = tuple(None for _ in compiled.positiontup or ())
        (plan,) = connection.exec_driver_sql(f"EXPLAIN QUERY PLAN {compiled}", nothing).all()
    assert plan.detail.startswith("SEARCH outcomes USING COVERING INDEX ix_outcomes_usable (workshop=? AND route=? AND")
