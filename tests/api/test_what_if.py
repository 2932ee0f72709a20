"""What-ifs over HTTP: a body read strictly, every fault at its place, every key that is promised there."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from service.schemas.carry_on_answers import CarryOnAnswer
from service.schemas.push_answers import PushAnswer
from service.schemas.what_if import CHANGES
from service.schemas.what_if_answers import DifferencesAnswer, ScenarioAnswer, WhatIfAnswer
from tests.api.conftest import ClientOf
from tests.api.test_bodies import GOOD
from tests.api.test_problems import check_problem

WHAT_IF = "/v1/routes/r/what-if"
FAR = {"name": "far", "changes": [{"kind": "target", "target": "9 g"}]}


@pytest.fixture
def filled(bench: FlaskClient) -> FlaskClient:
    """A client of a workshop with a route of one step and a run of it."""
    for path, body in GOOD.items():
        made = bench.put(f"/v1/{path}", json=body)
        assert made.status_code == 201, made.data
    return bench


def faults(client: FlaskClient, body: Any) -> dict[str, str]:
    told = check_problem(client.post(WHAT_IF, json=body), 422, "invalid-input")
    return {fault["pointer"]: fault["code"] for fault in told["faults"]}


def test_every_key_that_the_answer_promises_is_there(filled: FlaskClient) -> None:
    told = filled.post(WHAT_IF, json={"target": "5 g", "scenarios": [FAR]})
    assert told.status_code == 200, told.data
    answer = told.get_json()
    assert set(answer) >= set(WhatIfAnswer().fields)
    (scenario,) = answer["scenarios"]
    assert set(scenario) >= set(ScenarioAnswer().fields)
    assert set(scenario["difference"]) >= set(DifferencesAnswer().fields)
    assert set(answer["today"]) == set(scenario) - {"name", "difference"}
    again = filled.post(WHAT_IF, json={"target": "5000 mg", "scenarios": [FAR]})
    assert again.get_json() == answer


def test_every_fault_of_the_body_at_once(filled: FlaskClient) -> None:
    assert faults(filled, {}) == {"/target": "missing", "/scenarios": "missing"}
    assert faults(filled, []) == {"": "wrong-type"}
    wrong = {
        "target": "5 mL",
        "confidence": "0.995",
        "stok": "own",
        "trials": 8192,
        "scenarios": [
            {"name": "a", "changes": [{"kind": "yield", "step": "s"}, {"kind": "pack", "offer": "o", "step": "s"}]},
            {"name": "a", "changes": [{"kind": "limits", "step": "s", "smallest": "5 g", "largest": "2 g"}]},
            {"name": "b", "changes": [{"kind": "price", "material": "m", "price": {"amount": "1", "currency": "EUR"}}]},
            {"name": "c", "changes": [{"kind": "yield", "step": "s", "yield": "0.5", "factor": "2"}]},
            {"name": "d", "changes": [{"kind": "stock", "stock": "none", "on": True}, {"kind": "wether"}]},
        ],
    }
    assert faults(filled, wrong) == {
        "/target": "wrong-dimension",
        "/confidence": "out-of-range",
        "/stok": "unknown-key",
        "/trials": "out-of-range",
        "/scenarios/0/changes/0/yield": "missing",
        "/scenarios/0/changes/1/pack": "missing",
        "/scenarios/0/changes/1/step": "unfit-key",
        "/scenarios/1/name": "repeated-code",
        "/scenarios/1/changes/0/largest": "wrong-order",
        "/scenarios/2/changes/0/per": "missing",
        "/scenarios/3/changes/0/factor": "conflicting-keys",
        "/scenarios/4/changes/0/on": "conflicting-keys",
        "/scenarios/4/changes/1/kind": "unknown-word",
    }
    both = {"target": "5 g", "budget": {"amount": "0", "currency": "EUR"}, "from_stock": True, "scenarios": [FAR]}
    assert faults(filled, both) == {
        "/budget": "conflicting-keys",
        "/from_stock": "conflicting-keys",
        "/budget/amount": "out-of-range",
    }
    many = [FAR | {"name": str(at)} for at in range(21)]
    assert faults(filled, {"target": "5 g", "scenarios": many}) == {"/scenarios": "too-many"}


def test_every_kind_says_what_it_states(filled: FlaskClient) -> None:
    kinds = [{"name": kind, "changes": [{"kind": kind}]} for kind in CHANGES]
    found = faults(filled, {"target": "5 g", "scenarios": kinds})
    assert {pointer.split("/")[2] for pointer in found} == {str(at) for at in range(len(CHANGES))}
    assert set(found.values()) == {"missing"}


def test_who_may_ask_and_what_is_not_there(filled: FlaskClient, client_of: ClientOf) -> None:
    body = {"target": "5 g", "scenarios": [FAR]}
    assert client_of("read").post(WHAT_IF, json=body).status_code == 200
    check_problem(filled.post("/v1/routes/q/what-if", json=body), 404, "unknown-record")
    check_problem(filled.post(WHAT_IF, data=b"{", content_type="application/json"), 400, "not-json")
    wrong = {"name": "x", "changes": [{"kind": "buy", "step": "x/y"}]}
    assert faults(filled, body | {"scenarios": [wrong]}) == {"/scenarios/0/changes/0/step": "unknown-step"}


def test_how_to_carry_on(filled: FlaskClient) -> None:
    path = "/v1/routes/r/carry-on"
    told = filled.post(path, json={"target": "5 g", "in_hand": [{"step": "dry", "amount": "2 g"}]})
    assert told.status_code == 200, told.data
    assert set(told.get_json()) >= set(CarryOnAnswer().fields)
    wrong = {"in_hand": [{"amount": "2 g"}, {"step": "s", "material": "m", "amount": "2 mL"}], "budget": None}
    problem = check_problem(filled.post(path, json=wrong), 422, "invalid-input")
    assert {fault["pointer"]: fault["code"] for fault in problem["faults"]} == {
        "/target": "missing",
        "/in_hand/0/step": "missing",
        "/in_hand/1/material": "conflicting-keys",
        "/in_hand/1/amount": "wrong-dimension",
        "/budget": "unknown-key",
    }


def test_where_to_push(filled: FlaskClient) -> None:
    path = "/v1/routes/r/push"
    answer = filled.get(f"{path}?target=5g")
    assert answer.status_code == 200, answer.data
    assert set(answer.get_json()) >= set(PushAnswer().fields)
    for name in ("steps", "prices", "tornado", "variance"):
        told = filled.get(f"{path}?target=5g&table={name}&format=ndjson")
        assert len(told.text.splitlines()) == len(answer.get_json()[name])
    assert filled.get(f"{path}?target=5g", headers={"If-None-Match": answer.headers["ETag"]}).status_code == 304
    check_problem(filled.get(path), 400, "malformed-input")
