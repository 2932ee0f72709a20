"""What was answered once is answered again, by the state that it rested on, whatever was corrected since."""

from __future__ import annotations

from typing import Any

import pytest
from flask import Flask
from flask.testing import FlaskClient

from service.app import SERVICE
from service.record.past import Past
from tests.stories.bench import Bench, faults
from tests.stories.worked_graph import acidify, bought, deliver, eur, run_graph, set_up_graph

DAY = "2026-04-01"
QUESTIONS: tuple[tuple[str, dict[str, str]], ...] = (
    ("routes/ester/yields", {}),
    ("routes/ester/cost", {}),
    ("routes/ester/cost", {"basis": "traced"}),
    ("routes/ester/plan", {"target": "25 g", "trials": "256"}),
    ("routes/ester/losses", {}),
    ("routes/ester/mass-metrics", {}),
    ("routes/ester/steps/acidify/batch-sheet", {"key_input": "50 g"}),
    ("routes/ester/steps/acidify/next-run", {}),
    ("routes/ester/steps/acidify/trend", {}),
    ("routes/ester/steps/acidify/drivers", {}),
    ("yields", {"by": "operator"}),
    ("series/runs", {}),
    ("series/yields", {}),
    ("forecast-record", {}),
    ("stock", {"everything": "true"}),
    ("ledger/balance", {}),
    ("lots/pool/cost", {"loaded": "true"}),
    ("lots/ester-1/cost", {}),
    ("lots/ester-1/ancestry", {}),
    ("projects/bench/cost", {}),
    ("series/costs", {}),
    ("series/prices", {}),
    ("findings", {"reply": "all"}),
)
Told = tuple[int, str | None, Any]


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    bench.put("projects/bench", {"name": "bench"})
    return bench


def state_of(bench: Bench) -> int:
    found: int = bench.get("routes/ester/yields")["rests_on"]["state"]
    return found


def answers(bench: Bench, **asked: str) -> dict[str, Told]:
    """Status, tag and body of every question; a problem is an answer too."""
    found = {}
    for path, query in QUESTIONS:
        answer = bench.client.get(f"/v1/{path}", query_string={**query, "as_of": DAY, **asked})
        told = answer.get_json(force=True)
        told.pop("request_id", None)  # each request of its own
        found[f"{path} {query}"] = (answer.status_code, answer.headers.get("ETag"), told)
    return found


def test_every_answer_is_given_again_by_its_state(bench: Bench) -> None:
    kept: dict[int, dict[str, Told]] = {}

    def remember() -> None:
        kept[state_of(bench)] = answers(bench)

    remember()  # nothing but what was bought
    run_graph(bench)
    remember()
    bench.put("runs/A-2", acidify(2, "130 g"))  # a corrected weighing
    remember()
    bench.put("stock-entries/late", {"lot": "benzoate-1", "kind": "assay", "on": "2026-03-20", "assay": "0.9"})
    remember()
    bench.put("lots/ethanol-1", bought("ethanol", "800 g", "16.00"))  # a corrected price
    deliver(bench)
    remember()
    bench.put("exchange-rates/usd", {"base": "USD", "quote": "EUR", "rate": "0.8", "valid_from": "2026-01-01"})
    bench.put("workshop", {"currency": "USD"})
    sent = bench.client.delete("/v1/runs/A-3", headers={"If-Match": "*"})
    assert sent.status_code == 204
    remember()
    *earlier, present = sorted(kept)
    assert len(earlier) == 5
    for state in (*earlier, present):
        again = answers(bench, state=str(state))
        for question, told in kept[state].items():
            assert again[question] == told, (state, question)
    # The corrections did change what is answered: the states differ, and so do their tags.
    told = [kept[state]["lots/ester-1/cost {}"] for state in sorted(kept)[1:]]
    assert len({tag for _, tag, _ in told}) == 5
    costs = [body["cost_per_g"] for _, _, body in told]
    assert costs[0] == pytest.approx(0.0610720, abs=0.5e-7)
    assert len(set(costs)) >= 4
    assert [body["rests_on"]["state"] for _, _, body in told] == sorted(kept)[1:]
    # What could not be answered then is not answered now: there was no ester yet, and no run.
    assert {status for status, _, _ in kept[earlier[0]].values()} == {200, 404, 422}


def test_an_earlier_answer_that_is_held_already_is_not_computed_again(bench: Bench, app: Flask) -> None:
    run_graph(bench)
    held = bench.client.get(f"/v1/routes/ester/yields?as_of={DAY}")
    state = held.json["rests_on"]["state"]
    bench.put("runs/A-2", acidify(2, "130 g"))
    past: Past[Any] = app.extensions[SERVICE].past
    asked = f"/v1/routes/ester/yields?as_of={DAY}&state={state}"
    unchanged = bench.client.get(asked, headers={"If-None-Match": held.headers["ETag"]})
    assert (unchanged.status_code, len(past)) == (304, 0)
    assert bench.client.get(asked).json == held.json
    assert len(past) == 1
    table = bench.client.get(f"{asked}&format=csv")
    assert table.headers["ETag"] != held.headers["ETag"]
    assert table.text.splitlines()[0].startswith("step,")
    assert bench.client.get(f"{asked}&format=svg").data.startswith(b"<svg")
    assert len(past) == 1


def test_a_question_with_a_body_is_answered_by_an_earlier_state(bench: Bench) -> None:
    run_graph(bench)
    better = {"name": "better", "changes": [{"kind": "yield", "step": "esterify", "yield": "0.99"}]}
    questions = {
        "what-if": {"target": "25 g", "stock": "none", "scenarios": [better]},
        "carry-on": {"target": "25 g", "stock": "none", "in_hand": [{"step": "acidify", "amount": "18 g"}]},
    }

    def ask(**asked: str) -> dict[str, Any]:
        found = {}
        for name, body in questions.items():
            sent = bench.client.post(f"/v1/routes/ester/{name}", json=body, query_string={"as_of": DAY, **asked})
            assert sent.status_code == 200, sent.text
            found[name] = sent.get_json()
        return found

    state, told = state_of(bench), ask()
    bench.put("runs/A-2", acidify(2, "190 g"))
    now = ask()
    assert now != told
    assert ask(state=str(state)) == told
    assert ask(state=str(state_of(bench))) == now
    wrong = bench.refused(f"routes/ester/what-if?state={state + 99}", questions["what-if"], method="POST")
    assert (wrong.status_code, faults(wrong)) == (400, [("state", "bad-parameter")])


def test_the_date_of_an_earlier_state_is_today_unless_it_is_given(bench: Bench) -> None:
    run_graph(bench)
    state = state_of(bench)
    bench.put("projects/other", {"name": "other"})
    today = bench.get("ledger/balance")["rests_on"]["as_of"]
    assert bench.get("ledger/balance", state=str(state))["rests_on"] == {
        **bench.get("ledger/balance")["rests_on"],
        "state": state,
        "as_of": today,
    }


def test_a_state_that_nobody_has_seen(bench: Bench) -> None:
    state = state_of(bench)
    answer = bench.refused(f"routes/ester/yields?state={state + 1}", method="GET")
    assert (answer.status_code, faults(answer)) == (400, [("state", "bad-parameter")])
    assert f"the workshop is at state {state}" in answer.get_json(force=True)["detail"]
    for wrong in ("0", "-1", "1.0", "x", "9007199254740992"):
        answer = bench.refused(f"routes/ester/yields?state={wrong}", method="GET")
        assert (answer.status_code, faults(answer)) == (400, [("state", "bad-parameter")]), wrong
    # At the first state there was a workshop and nothing in it.
    assert bench.refused("routes/ester/yields?state=1", method="GET").status_code == 404
    assert bench.get("ledger/balance", state="1")["sources"]["purchases"] == eur("0.000000")


def test_too_long_a_past_is_refused_with_a_way_out(bench: Bench, app: Flask) -> None:
    from service.answer.snapshot import Memory

    state = state_of(bench)
    bench.put("projects/other", {"name": "other"})
    service = app.extensions[SERVICE]
    object.__setattr__(service, "past", Past(Memory, most_replayed=state - 1))
    answer = bench.refused(f"routes/ester/yields?state={state}", method="GET")
    told = answer.get_json(force=True)
    assert (answer.status_code, told["code"]) == (422, "too-long-a-past")
    assert (told["revisions"], told["most_revisions"]) == (state, state - 1)
    assert "as_of" in told["detail"]
    assert bench.get("routes/ester/yields", state=str(state - 1))["rests_on"]["state"] == state - 1
