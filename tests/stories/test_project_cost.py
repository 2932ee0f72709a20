"""Who used what on a project, over HTTP: two people, two months, a failure and hours at a dated rate."""

from __future__ import annotations

import csv
import io
from decimal import Decimal
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench
from tests.stories.worked_graph import acidify, bought, eur, set_up_graph


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    for code in ("inks", "other"):
        bench.put(f"projects/{code}", {"name": code})
    mine = {"project": "inks"}
    bench.put("runs/A-1", {**acidify(1, "150 g"), **mine, "labour": "2 h"})
    bench.put("runs/A-2", {**acidify(2, None), **mine, "operator": "m2"})
    april = {"started_on": "2026-04-02", "finished_on": "2026-04-03"}
    bench.put("runs/A-3", {**acidify(3, "100 g"), **mine, **april})
    bench.put("runs/A-4", {**acidify(4, "100 g"), "project": "other"})
    bench.put(
        "runs/A-5", {**acidify(5, None), "status": "open", "finished_on": None, **mine, "started_on": "2026-04-05"}
    )
    bench.put("lots/own", {**bought("ethanol", "10 g", "3.00"), **mine})
    return bench


def euros(money: dict[str, str]) -> Decimal:
    return Decimal(money["amount"])


def by(lines: list[dict[str, Any]], key: str) -> dict[str, tuple[int, Decimal]]:
    return {line[key]: (line["runs"], euros(line["cost"])) for line in lines}


def test_by_month_and_operator(bench: Bench) -> None:
    """Each run takes 2.40 of the salt, 0.54 of the acid and 1.00 besides; hours are paid where it is asked for."""
    found = bench.get("projects/inks/cost", as_of="2026-05-01")
    assert euros(found["cost"]) == 4 * Decimal("3.94")
    assert by(found["by_month"], "month") == {"2026-03": (2, Decimal("7.88")), "2026-04": (2, Decimal("7.88"))}
    assert by(found["by_operator"], "operator") == {"m1": (3, Decimal("11.82")), "m2": (1, Decimal("3.94"))}
    assert [line["failed"] for line in found["by_operator"]] == [0, 1]
    parts = {name: euros(found[name]) for name in ("made", "failures", "abandoned", "work_in_progress")}
    assert parts == {"made": Decimal("7.88"), "failures": Decimal("3.94"), "abandoned": 0,
                     "work_in_progress": Decimal("3.94")}  # fmt: skip
    salt = [line for line in found["used"] if line["material"] == "benzoate"]
    assert [(line["month"], line["operator"], line["amount_g"], euros(line["cost"])) for line in salt] == [
        ("2026-03", "m1", 200, Decimal("2.4")), ("2026-03", "m2", 200, Decimal("2.4")),
        ("2026-04", "m1", 400, Decimal("4.8")),
    ]  # fmt: skip
    assert sum(euros(line["cost"]) for line in found["used"] if line["cost"]) == euros(found["cost"])
    assert euros(found["cash"]) == 3
    assert [(line["lot"], line["amount_g"], euros(line["value"])) for line in found["leftovers"]] == [("own", 10, 3)]


def test_from_a_day_and_with_hours(bench: Bench) -> None:
    assert bench.get("projects/inks/cost", **{"from": "2026-04-01"}, as_of="2026-04-04")["rests_on"]["runs"] == 1
    unpaid = bench.get("projects/inks/cost", labour="true", as_of="2026-05-01")
    assert unpaid["not_counted"] == ["labour: no rate is recorded for the day"]
    rate = {"of": "labour", "price": eur("10"), "per": "1 h"}
    bench.put("rates/late", {**rate, "valid_from": "2026-04-01"})
    assert euros(bench.get("projects/inks/cost", labour="true", as_of="2026-05-01")["cost"]) == 4 * Decimal("3.94")
    bench.put("rates/early", {**rate, "valid_from": "2026-01-01"})
    paid = bench.get("projects/inks/cost", labour="true", as_of="2026-05-01")
    assert euros(paid["cost"]) == 4 * Decimal("3.94") + 20
    assert Decimal(bench.get("ledger/balance", labour="true")["difference"]["amount"]) == 0
    hours = next(line for line in paid["used"] if line["of"] == "labour")
    assert (hours["amount_h"], hours["operator"]) == (2, "m1")


def test_as_a_table_and_of_no_project(bench: Bench) -> None:
    answer = bench.client.get("/v1/projects/inks/cost?format=csv&as_of=2026-05-01")
    rows = list(csv.DictReader(io.StringIO(answer.text)))
    assert {row["of"] for row in rows} == {"consumables", "labour", "material"}
    assert [row["amount_h"] for row in rows if row["of"] == "labour"] == ["2.0"]
    assert bench.refused("projects/nothing/cost", method="GET").status_code == 404
