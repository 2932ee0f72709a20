"""Hostile bodies: every one answered in words, none a fault of the service, the same on both databases."""

from __future__ import annotations

import json
from collections.abc import Iterator
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.api.test_problems import JSON, check_problem
from tests.schemas.test_json_text import REFUSED

MONEY = {"amount": "1.00", "currency": "EUR"}
STEP = {
    "code": "dry", "name": "dry it", "basis": "recovery", "key_input": "wet", "product": "sand",
    "bill": [{"material": "water", "per_key_input": "1 mL/g"}],
}  # fmt: skip
GOOD: dict[str, dict[str, Any]] = {
    "projects/p": {"name": "p", "note": "n"},
    "materials/water": {"name": "water", "formula": "H2O", "density": "1 g/mL", "hazards": ["H302"], "phase": "liquid"},
    "materials/sand": {"name": "sand", "contents": {"water": "0.01"}, "cas": "7732-18-5", "solvent": True},
    "materials/wet": {"name": "wet sand", "analyte": "sand"},
    "suppliers/s": {"name": "s", "shipping": MONEY, "free_from": MONEY, "minimum_order": MONEY},
    "exchange-rates/x": {"base": "USD", "quote": "EUR", "rate": "0.92", "valid_from": "2026-01-01"},
    "rates/r": {"of": "labour", "price": MONEY, "per": "1 h", "valid_from": "2026-01-01"},
    "offers/o": {
        "material": "sand", "supplier": "s", "pack": "1 kg", "price": MONEY, "assay": "0.9", "valid_from": "2026-01-01",
    },
    "lots/l": {"material": "wet", "amount": "1 kg", "assay": "0.9", "value": MONEY, "received_on": "2026-01-01"},
    "routes/r": {"name": "r", "product": "sand", "steps": [STEP]},
    "runs/n": {
        "route": "r", "step": "dry", "status": "finished", "started_on": "2026-02-01", "finished_on": "2026-02-02",
        "charges": [{"lot": "l", "amount": "10.0 g"}],
        "outturns": [{"material": "sand", "net": "8.0 g"}], "labour": "1 h", "tags": ["t"], "operator": "m1",
    },
}  # fmt: skip
HOSTILE: list[Any] = [
    None, True, 0, -1, 1.5, 1e308, 10**19, "", " ", "x" * 20_000, "10**10**8 g", "9^9^9 g", "1,5 g", "1e9999 g", "NaN",
    "Infinity g", "1_000 g", "١٢ g", "-5 g", "1 RT", "\u202e", "\n", "2026-13-45", "((((" * 500, "C999999999999",
    "=1+1", "'; DROP TABLE runs; --", "../../etc/passwd", "\U0001f600", [], {}, [[]], [None], [{}], ["x"] * 5_000,
    {"value": "1", "unit": "g", "x": {}}, {"value": 1e-320, "unit": "g"}, {"amount": "1e99", "currency": "EUR"},
    {"amount": "0.00", "currency": "eur"}, {f"k{number}": {} for number in range(500)},
]  # fmt: skip


def places(value: Any, path: tuple[str | int, ...] = ()) -> Iterator[tuple[str | int, ...]]:
    """Every place in a body."""
    if path:
        yield path
    pairs = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    for key, inner in pairs:
        yield from places(inner, (*path, key))


def put_at(body: Any, path: tuple[str | int, ...], value: Any) -> Any:
    """A copy of the body with another value in one place."""
    changed = json.loads(json.dumps(body))
    inner = changed
    for key in path[:-1]:
        inner = inner[key]
    inner[path[-1]] = value
    return changed


@pytest.mark.parametrize(("body", "code", "line", "column"), REFUSED)
def test_what_is_not_good_json_is_placed(body: bytes, code: str, line: int, column: int, bench: FlaskClient) -> None:
    told = check_problem(bench.put("/v1/materials/water", data=body, content_type=JSON), 400, code)
    assert isinstance(told["faults"], list)
    (fault,) = told["faults"]
    assert (fault["line"], fault["column"]) == (line, column)


@pytest.mark.parametrize("body", [b"null", b"true", b"1", b'"x"', b"[]", b"[{}]", b"{}"])
def test_what_is_no_record_is_refused(body: bytes, bench: FlaskClient) -> None:
    for path in GOOD:
        check_problem(bench.put(f"/v1/{path}", data=body, content_type=JSON), 422, "invalid-input")
        check_problem(bench.post(f"/v1/{path.partition('/')[0]}", data=body, content_type=JSON), 422, "invalid-input")
    check_problem(bench.post("/v1/reactions/balance", data=body, content_type=JSON), 422, "invalid-input")
    check_problem(bench.post("/v1/tokens", data=body, content_type=JSON), 422, "invalid-input")


def test_hostile_values_in_every_place(bench: FlaskClient) -> None:
    for path, body in GOOD.items():
        made = bench.put(f"/v1/{path}", json=body)
        assert made.status_code == 201, made.data
    tried = 0
    for path, body in GOOD.items():
        for place in places(body):
            for value in HOSTILE:
                told = bench.put(f"/v1/{path}", json=put_at(body, place, value), headers={"If-Match": "*"})
                assert told.status_code in (200, 409, 422), (path, place, value, told.data)
                assert told.status_code == 200 or told.content_type == "application/problem+json"
                assert len(told.data) < 100_000
                tried += 1
            restored = bench.put(f"/v1/{path}", json=body, headers={"If-Match": "*"})
            assert restored.status_code == 200, (path, place, restored.data)
    assert tried > 300
    for path, body in GOOD.items():
        assert bench.get(f"/v1/{path}").get_json().items() >= body.items()


def test_keys_that_the_service_writes_are_refused(bench: FlaskClient) -> None:
    for path, body in GOOD.items():
        assert bench.put(f"/v1/{path}", json=body).status_code == 201
    for path, body in GOOD.items():
        for key in ("workshop", "workshop_id", "id", "digest", "outcome", "result", "findings", "entries", "balance"):
            told = bench.put(f"/v1/{path}", json=body | {key: 1}, headers={"If-Match": "*"})
            check_problem(told, 422, "invalid-input")
        assert bench.get(f"/v1/{path}").get_json()["revision"] == 1
