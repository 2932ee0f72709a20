"""Every sum of money of a drawn workshop, asked over HTTP, beside an audit that takes another road."""

from __future__ import annotations

from decimal import Decimal

import pytest
from flask.testing import FlaskClient

from tests.stories.audited import Audit, drawn, on
from tests.stories.bench import Bench

CLOSE = 5e-5
"""Of whole millionths that are rounded once a line."""


WITH_EVERYTHING = 74
"""A seed whose book holds every way to fail, to share, to measure and to take from the shelf that is drawn from."""


def test_every_sum_is_what_an_audit_finds(client: FlaskClient) -> None:
    bench, book = Bench(client), drawn(WITH_EVERYTHING)
    audit = Audit(book)
    sent = client.post("/v1/imports", json=[{"kind": kind, "code": code, "record": body} for kind, code, body in book])
    assert sent.status_code == 201, sent.text
    for code in audit.of["run"]:
        asked, run = bench.get(f"runs/{code}/cost"), audit.run(code)
        assert float(asked["total"]["amount"]) == pytest.approx(float(run["total"]), abs=CLOSE), code
        if audit.of["run"][code]["status"] != "open":
            assert float(asked["made"]["amount"]) == pytest.approx(float(run["made"]), abs=CLOSE), code
    for lot in audit.size:
        asked = bench.get(f"lots/{lot}/cost")
        assert float(asked["total"]["amount"]) == pytest.approx(float(audit.value(lot)), abs=CLOSE), lot
    for day in (on(20), on(41), on(60), on(120)):
        asked, lines = bench.get("ledger/balance", as_of=day), audit.balance(day)
        assert Decimal(asked["difference"]["amount"]) == 0
        for name, found in {**asked["sources"], **asked["uses"]}.items():
            assert float(found["amount"]) == pytest.approx(float(lines[name]), abs=20 * CLOSE), (day, name)
        shelf = bench.get("stock", as_of=day)["value"]["amount"]
        assert float(shelf) == pytest.approx(float(lines["stock"]), abs=20 * CLOSE), day
