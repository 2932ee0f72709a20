"""The plan over HTTP: exactly one question, read in every spelling, told unchanged before anything is computed."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from service.answer import plan
from service.schemas.plan_answers import PlanAnswer
from tests.api.test_bodies import GOOD
from tests.api.test_problems import check_problem

PLAN = "/v1/routes/r/plan"


@pytest.fixture
def filled(bench: FlaskClient) -> FlaskClient:
    """A client of a workshop with a route of one step and a run of it."""
    for path, body in GOOD.items():
        made = bench.put(f"/v1/{path}", json=body)
        assert made.status_code == 201, made.data
    return bench


def faults(client: FlaskClient, query: str) -> dict[str, str]:
    told = check_problem(client.get(f"{PLAN}?{query}"), 400, "malformed-input")
    return {fault["parameter"]: fault["code"] for fault in told["faults"]}


def test_exactly_one_of_three(filled: FlaskClient) -> None:
    assert faults(filled, "") == {"target": "missing-parameter"}
    assert faults(filled, "from_stock=false") == {"target": "missing-parameter"}
    assert faults(filled, "target=5g&budget=20") == {"budget": "conflicting-parameters"}
    assert faults(filled, "target=5g&budget=20&from_stock=true") == {
        "budget": "conflicting-parameters",
        "from_stock": "conflicting-parameters",
    }
    # A question that cannot be read is one, and every other fault is told with it.
    assert faults(filled, "target=5%20mL&confidence=0.995") == {
        "target": "wrong-dimension",
        "confidence": "bad-parameter",
    }
    assert faults(filled, "target=0g&from_stock=true").keys() == {"target", "from_stock"}
    detail = check_problem(filled.get(PLAN), 400, "malformed-input")["detail"]
    assert "exactly one of target, budget and from_stock" in str(detail)
    assert filled.get(f"{PLAN}?target=5g&from_stock=false").status_code == 200


@pytest.mark.parametrize(
    ("budget", "code"),
    [
        ("nothing", "not-a-number"),
        ("0", "out-of-range"),
        ("-5 EUR", "out-of-range"),
        ("20 euros", "not-a-number"),
        ("20 ABC", "unknown-currency"),
        ("1,50", "decimal-comma"),
    ],
)
def test_a_budget_that_is_no_money(budget: str, code: str, filled: FlaskClient) -> None:
    told = check_problem(filled.get(PLAN, query_string={"budget": budget}), 400, "malformed-input")
    ((fault,),) = (told["faults"],)
    assert fault["parameter"] == "budget"
    assert fault["code"] == code


@pytest.mark.parametrize("confidence", ["0.49", "0.991", "1", "0", "half"])
def test_the_range_of_the_confidence(confidence: str, filled: FlaskClient) -> None:
    assert faults(filled, f"target=5g&confidence={confidence}").keys() == {"confidence"}


def test_its_ends_are_taken(filled: FlaskClient) -> None:
    for confidence in ("0.5", "0.99"):
        answer = filled.get(f"{PLAN}?target=5g&stock=none&confidence={confidence}").get_json()
        assert answer["p_reach"] >= answer["confidence"] == float(confidence)


def test_a_budget_in_every_spelling(filled: FlaskClient) -> None:
    offer = {"material": "wet", "supplier": "s", "pack": "100 g", "price": {"amount": "2", "currency": "EUR"}}
    tap = {**offer, "material": "water", "price": {"amount": "0", "currency": "EUR"}}
    for code, body in (("wet-100g", offer), ("tap", tap)):
        assert filled.put(f"/v1/offers/{code}", json=body).status_code == 201
    found = [
        filled.get(PLAN, query_string={"budget": budget, "stock": "none", "trials": "1024"}).get_json()
        for budget in ("20 EUR", "20", "20.00EUR")
    ]
    assert found[0]["planned_for"] == "budget", found[0]
    assert {answer["target_g"] for answer in found} == {found[0]["target_g"]}
    assert found[0]["runs_out_first"] == "wet"


def test_what_is_held_is_told_unchanged_at_the_cost_of_one_read(
    filled: FlaskClient, monkeypatch: pytest.MonkeyPatch
) -> None:
    held = filled.get(f"{PLAN}?target=5g").headers["ETag"]

    def computes(*_: object, **__: object) -> dict[str, Any]:
        raise AssertionError("it was computed")

    monkeypatch.setattr(plan, "plan_of", computes)
    for spelled in ("target=5g", "target=5%20g", "target=5000mg", "target=5g&from_stock=false"):
        told = filled.get(f"{PLAN}?{spelled}", headers={"If-None-Match": held})
        assert (told.status_code, told.data) == (304, b""), spelled
    assert filled.get(f"{PLAN}?target=6g", headers={"If-None-Match": held}).status_code == 500


def test_every_key_that_the_answer_promises_is_there(filled: FlaskClient) -> None:
    answer = filled.get(f"{PLAN}?target=5g").get_json()
    assert set(answer) >= set(PlanAnswer().fields) - {"rests_on"}
    for name in ("make_or_buy", "ways_in", "steps", "materials"):
        told = filled.get(f"{PLAN}?target=5g&table={name}&format=ndjson")
        assert told.status_code == 200
        assert len(told.text.splitlines()) == len(answer[name])


def test_a_spare_batch_is_named_with_its_route(filled: FlaskClient) -> None:
    assert faults(filled, "target=5g&spare=a/b/c") == {"spare": "bad-parameter"}
    check_problem(filled.get(f"{PLAN}?target=5g&spare=sub/step"), 404, "unknown-record")
