"""Corrections: what rests on a corrected record is worked out anew, at once, and nothing else moves.

And what is refused: each wrong input by its name, at its place, with the book as it was.
"""

from __future__ import annotations

import copy
import json
from collections.abc import Callable
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import MATERIALS, ROUTE, Bench, carbonate, dissolve, faults, four_runs, set_up

VITRIOL, MALACHITE, VERDIGRIS = 249.677, 221.114, 199.65
"""g/mol from the standard atomic weights of 2021 (Prohaska et al., Pure Appl. Chem. 2022, 94, 573)."""


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up(bench)
    four_runs(bench)
    return bench


def result(bench: Bench, run: str) -> dict[str, Any]:
    """What was weighed and what follows from it; the money behind a run moves with the runs behind it."""
    found: dict[str, Any] = bench.get(f"runs/{run}")["result"]
    return {name: value for name, value in found.items() if not name.startswith("cost")}


def results(bench: Bench) -> dict[str, dict[str, Any]]:
    return {run: result(bench, run) for run in ("VG-1", "VG-2", "VG-3", "VG-4")}


def moved(before: dict[str, dict[str, Any]], after: dict[str, dict[str, Any]]) -> set[str]:
    return {run for run in before if before[run] != after[run]}


def test_a_corrected_weighing(bench: Bench) -> None:
    """It moves the run itself and what its lot holds; the run that took from that lot weighed for itself."""
    before = results(bench)
    stock = bench.get("routes/verdigris/plan", target="25g")["steps"][0]["from_stock_g"]
    bench.put("runs/VG-1", carbonate(1, "18.41 g"))
    after = results(bench)
    assert moved(before, after) == {"VG-1"}
    assert after["VG-1"]["yield"] == pytest.approx(before["VG-1"]["yield"] * 18.41 / 20.41)
    plan = bench.get("routes/verdigris/plan", target="25g")
    assert plan["steps"][0]["from_stock_g"] == pytest.approx(stock - 2.0)
    revisions = bench.get("runs/VG-1/revisions")["items"]
    assert [each["revision"] for each in revisions] == [2, 1]
    # Put back as it was, everything is as it was.
    bench.put("runs/VG-1", carbonate(1, "20.41 g"))
    assert results(bench) == before


def test_a_late_assay_of_the_opening_lot(bench: Bench) -> None:
    before, yields = results(bench), bench.get("routes/verdigris/yields")
    tag = bench.client.get("/v1/runs/VG-1").headers["ETag"]
    lot = {"material": "blue-vitriol", "amount": "500 g", "assay": "0.931", "received_on": "2026-03-04"}
    bench.put("lots/vitriol-012", {**lot, "value": {"amount": "6.50", "currency": "EUR"}})
    after = results(bench)
    assert moved(before, after) == {"VG-1", "VG-2"}
    for run in ("VG-1", "VG-2"):
        assert after[run]["theoretical_g"] == pytest.approx(before[run]["theoretical_g"] * 0.931 / 0.98)
        assert after[run]["yield"] == pytest.approx(before[run]["yield"] * 0.98 / 0.931)
    now = bench.get("routes/verdigris/yields")
    assert now["steps"][0]["mean"] == pytest.approx(yields["steps"][0]["mean"] * 0.98 / 0.931)
    assert now["steps"][1]["mean"] == yields["steps"][1]["mean"]
    # The same record with another outcome has another tag.
    assert bench.client.get("/v1/runs/VG-1").headers["ETag"] != tag
    assert len(bench.get("runs/VG-1/revisions")["items"]) == 1


def test_an_assay_of_what_a_run_made(bench: Bench) -> None:
    before = results(bench)
    run = carbonate(1, "20.41 g")
    run["outturns"][0]["assay"] = "0.90"
    bench.put("runs/VG-1", run)
    after = results(bench)
    assert moved(before, after) == {"VG-1", "VG-3"}
    assert after["VG-3"]["theoretical_g"] == pytest.approx(15 * 0.90 / MALACHITE * 2 * VERDIGRIS, rel=5e-4)


def test_a_corrected_formula(bench: Bench) -> None:
    """What was taken for malachite is azurite: its runs, and those that took from them, are counted by its moles."""
    before = results(bench)
    bench.put("materials/malachite", {**MATERIALS["malachite"], "formula": "Cu3(CO3)2(OH)2"})
    after = results(bench)
    assert moved(before, after) == {"VG-1", "VG-2", "VG-3", "VG-4"}
    azurite = 344.669
    theoretical = 50 * 0.98 / VITRIOL / 2 * azurite
    assert after["VG-1"]["theoretical_g"] == pytest.approx(theoretical, rel=2e-4)
    assert after["VG-3"]["theoretical_g"] == pytest.approx(15 * 0.96 / azurite * 2 * VERDIGRIS, rel=5e-4)
    bench.put("materials/malachite", MATERIALS["malachite"])
    assert results(bench) == before


def altered_route(**step: Any) -> dict[str, Any]:
    route = copy.deepcopy(ROUTE)
    route["steps"][0].update(step)
    return route


def test_a_route_corrected(bench: Bench) -> None:
    """The first step was never more than a ratio of masses: with a correction its runs are counted so."""
    as_ratio = altered_route(basis="mass-ratio", reaction=None)
    etag = {"If-Match": bench.client.get("/v1/routes/verdigris").headers["ETag"]}
    state = bench.state
    refused = bench.refused("routes/verdigris", as_ratio, headers=etag)
    assert (refused.status_code, faults(refused)) == (422, [("/change", "change-needed")])
    assert bench.state == state
    before = results(bench)
    bench.put("routes/verdigris", as_ratio | {"change": "correction"})
    after = results(bench)
    assert moved(before, after) == {"VG-1", "VG-2"}
    assert after["VG-1"]["yield"] == pytest.approx(20.41 * 0.96 / 50)
    step = bench.get("routes/verdigris/yields")["steps"][0]
    assert (step["basis"], step["runs"]["counted"]) == ("mass-ratio", 2)


def test_a_route_revised(bench: Bench) -> None:
    """With a revision the runs so far keep the step that they went by, and are not pooled with the new form."""
    before = results(bench)
    bench.put("routes/verdigris", altered_route(basis="mass-ratio", reaction=None) | {"change": "revision"})
    assert results(bench) == before
    step = bench.get("routes/verdigris/yields")["steps"][0]
    assert (step["basis"], step["runs"]["counted"]) == ("mass-ratio", 0)
    assert [left["run"] for left in step["runs"]["left_out"]] == ["VG-1", "VG-2"]
    assert "earlier form" in step["runs"]["left_out"][0]["reason"]
    bench.put("runs/VG-5", carbonate(5, "20.00 g"))
    assert result(bench, "VG-5")["yield"] == pytest.approx(20.00 * 0.96 / 50)
    assert bench.get("routes/verdigris/yields")["steps"][0]["runs"]["counted"] == 1


def test_a_change_that_computes_nothing_otherwise_needs_no_word(bench: Bench) -> None:
    before = results(bench)
    bench.put("routes/verdigris", altered_route(name="precipitate slowly", vessel="2 L", labour="1.5 h"))
    assert results(bench) == before
    assert bench.get("routes/verdigris/yields")["steps"][0]["runs"]["counted"] == 2


def test_a_pool_follows_its_parts(bench: Bench) -> None:
    parts = [{"lot": "malachite-1", "amount": "4 g"}, {"lot": "malachite-2", "amount": "4 g"}]
    bench.put("pools/P-1", {"made_on": "2026-05-14", "from": parts, "lot": "pool-1"})
    charges = [{"lot": "pool-1", "amount": "8.00 g"}, {"lot": "vinegar-1", "amount": "160 mL"}]
    bench.put("runs/VG-5", dissolve(5, "10.4 g", charges=charges))
    theoretical = 8 * 0.96 / MALACHITE * 2 * VERDIGRIS
    assert result(bench, "VG-5")["theoretical_g"] == pytest.approx(theoretical, rel=5e-4)
    run = carbonate(1, "20.41 g")
    run["outturns"][0]["assay"] = "0.90"
    bench.put("runs/VG-1", run)
    # Half of the pool is now of 90 %: 93 % on the whole.
    assert result(bench, "VG-5")["theoretical_g"] == pytest.approx(theoretical * 0.93 / 0.96, rel=5e-4)
    measured = {"made_on": "2026-05-14", "from": parts, "lot": "pool-1", "assay": "0.80"}
    bench.put("pools/P-1", measured)
    assert result(bench, "VG-5")["theoretical_g"] == pytest.approx(theoretical * 0.80 / 0.96, rel=5e-4)


def test_more_charged_than_the_lot_holds_is_kept_and_said(bench: Bench) -> None:
    told = bench.put("runs/VG-5", dissolve(1, "5.0 g", outturns=[{"material": "verdigris", "net": "5.0 g"}]))
    assert "overdrawn" in {finding["code"] for finding in told["findings"]}
    assert "overdrawn" in {finding["code"] for finding in bench.get("runs/VG-3")["findings"]}
    assert bench.get("routes/verdigris/yields")["steps"][1]["runs"]["counted"] == 3


# ---- what is refused


def amount(text: str) -> Callable[[], tuple[str, Any]]:
    """A run whose charge is written so."""

    def body() -> tuple[str, Any]:
        run = carbonate(7, "20.00 g")
        run["charges"][0]["amount"] = text
        return "runs/VG-7", run

    return body


def step_with(**changes: Any) -> Callable[[], tuple[str, Any]]:
    return lambda: ("routes/another", altered_route(**changes))


def two_makers() -> tuple[str, Any]:
    route = altered_route()
    second = copy.deepcopy(route["steps"][0]) | {"code": "carbonate-again"}
    route["steps"].insert(1, second)
    return "routes/another", route


def volume_of_what_has_no_density() -> tuple[str, Any]:
    run = carbonate(7, "20.00 g")
    run["charges"][0] = {"material": "blue-vitriol", "amount": "20 mL"}
    return "runs/VG-7", run


def outturn(**changes: Any) -> Callable[[], tuple[str, Any]]:
    def body() -> tuple[str, Any]:
        run = carbonate(7, "20.00 g")
        row = run["outturns"][0] | changes
        run["outturns"][0] = {key: value for key, value in row.items() if value is not None}
        return "runs/VG-7", run

    return body


def unbalanced() -> tuple[str, Any]:
    reaction = copy.deepcopy(ROUTE["steps"][0]["reaction"])
    reaction["products"]["water"] = 8
    return step_with(reaction=reaction)()


REFUSED: dict[str, tuple[Callable[[], tuple[str, Any]], str, str]] = {
    "unbalanced reaction": (unbalanced, "/steps/0/reaction", "unbalanced-reaction"),
    "two makers of one input": (two_makers, "/steps/2/key_input", "two-makers"),
    "unknown unit": (amount("50.0 gr"), "/charges/0/amount", "unknown-unit"),
    "comma for a point": (amount("1,5 g"), "/charges/0/amount", "decimal-comma"),
    "space within a number": (amount("1 000 g"), "/charges/0/amount", "digit-grouping"),
    "a number that is none": (amount("NaN g"), "/charges/0/amount", "not-finite"),
    "infinity": (amount("Infinity g"), "/charges/0/amount", "not-finite"),
    "beyond all numbers": (amount("1e400 g"), "/charges/0/amount", "out-of-range"),
    "an expression": (amount("9**9**9 g"), "/charges/0/amount", "not-a-number"),
    "nothing weighed": (amount("0 g"), "/charges/0/amount", "out-of-range"),
    "less than nothing": (amount("-1 g"), "/charges/0/amount", "out-of-range"),
    "no density": (volume_of_what_has_no_density, "/charges/0/amount", "density-needed"),
    "gross below tare": (
        outturn(net=None, gross="121.90 g", tare="142.31 g"),
        "/outturns/0/gross",
        "negative-net",
    ),
    "assay above one": (outturn(assay="1.2"), "/outturns/0/assay", "out-of-range"),
    "assay in percent": (outturn(assay="96"), "/outturns/0/assay", "out-of-range"),
    "assay as text": (outturn(assay="pure"), "/outturns/0/assay", "not-a-number"),
    "unknown key": (outturn(colour="green"), "/outturns/0/colour", "unknown-key"),
    "own product charged": (outturn(lot="vitriol-012"), "/outturns/0/lot", "own-ancestor"),
    "unknown lot": (
        lambda: ("runs/VG-7", carbonate(7, "20 g", charges=[{"lot": "vitriol-013", "amount": "50 g"}])),
        "/charges/0/lot",
        "unknown-reference",
    ),
    "unknown step": (lambda: ("runs/VG-7", carbonate(7, "20 g", step="carbonat")), "/step", "unknown-reference"),
    "finished before it was begun": (
        lambda: ("runs/VG-7", carbonate(7, "20 g", finished_on="2026-01-01")),
        "/finished_on",
        "wrong-order",
    ),
}


@pytest.mark.parametrize("name", REFUSED)
def test_refused_by_name_and_place(name: str, bench: Bench) -> None:
    make, pointer, code = REFUSED[name]
    path, body = make()
    state = bench.state
    answer = bench.refused(path, body)
    assert answer.status_code == 422, answer.text
    found = faults(answer)
    assert (pointer, code) in found, found
    for fault in answer.get_json(force=True)["faults"]:
        assert fault["detail"]
        assert fault.get("expected"), fault
    assert bench.state == state
    assert bench.client.get(f"/v1/{path}").status_code == 404


def test_every_fault_of_a_run_at_once(bench: Bench) -> None:
    run = carbonate(7, "1,5 g", operater="m1")
    run["charges"][0]["amount"] = "50 gr"
    run["charges"][1]["assay"] = "2"
    answer = bench.refused("runs/VG-7", run)
    assert {pointer for pointer, _ in faults(answer)} == {
        "/operater",
        "/charges/0/amount",
        "/charges/1/assay",
        "/outturns/0/net",
    }


def test_the_refusal_of_a_reaction_says_which_side_lacks_what(bench: Bench) -> None:
    path, body = unbalanced()
    detail = bench.refused(path, body).get_json(force=True)["faults"][0]["detail"]
    assert "H" in detail
    assert "O" in detail
    assert "products" in detail


NOT_JSON: dict[str, tuple[bytes, str]] = {
    "NaN": (b'{"name": "x", "note": NaN}', "not-a-number"),
    "Infinity": (b'{"name": "x", "note": -Infinity}', "not-a-number"),
    "a number beyond a float": (b'{"name": "x", "note": 1e400}', "out-of-range"),
    "a key twice": (b'{"name": "x", "name": "y"}', "duplicate-key"),
    "NUL in text": (b'{"name": "a\\u0000b"}', "nul-in-text"),
    "half a surrogate pair": (b'{"name": "a\\ud800b"}', "lone-surrogate"),
    "nested beyond all need": (b'{"name": ' + b"[" * 100_000 + b"]" * 100_000 + b"}", "too-deep"),
    "cut off": (b'{"name": "x"', "not-json"),
    "nothing": (b"", "empty-body"),
    "bytes that are no UTF-8": (b'{"name": "\xff"}', "not-utf-8"),
}


@pytest.mark.parametrize("name", NOT_JSON)
def test_what_is_no_json_is_told_where(name: str, bench: Bench) -> None:
    payload, code = NOT_JSON[name]
    state = bench.state
    answer = bench.refused("materials/x", data=payload, content_type="application/json")
    assert answer.status_code == 400
    (fault,) = answer.get_json(force=True)["faults"]
    assert fault["code"] == code, fault
    assert fault["line"] >= 1
    assert fault["column"] >= 1
    assert bench.state == state


def test_a_body_too_large(bench: Bench) -> None:
    state = bench.state
    payload = json.dumps({"name": "x", "note": "y" * 2**20}).encode()
    answer = bench.refused("materials/x", data=payload, content_type="application/json")
    assert answer.status_code == 413
    assert bench.state == state


def test_a_hundred_thousand_unknown_keys(bench: Bench) -> None:
    body = {"name": "x"} | {f"k{n}": 1 for n in range(20_000)}
    answer = bench.refused("materials/x", body)
    assert answer.status_code == 422
    told = answer.get_json(force=True)
    assert len(told["faults"]) == 100
    assert told["more_faults"] == 19_900
    assert len(answer.data) < 60_000


@pytest.mark.parametrize(
    ("path", "faulty"),
    [
        ("routes/verdigris/yields?confidenc=0.9", [("confidenc", "unknown-parameter")]),
        ("routes/verdigris/yields?confidence=1", [("confidence", "bad-parameter")]),
        ("routes/verdigris/cost?currency=euro", [("currency", "bad-parameter")]),
        ("routes/verdigris/plan", [("target", "missing-parameter")]),
        ("routes/verdigris/plan?target=0g", [("target", "out-of-range")]),
        ("routes/verdigris/plan?target=25", [("target", "missing-unit")]),
        (
            "routes/verdigris/plan?target=25%20mL&stock=some",
            [("target", "wrong-dimension"), ("stock", "bad-parameter")],
        ),
        ("routes/verdigris/plan?target=25g&target=30g", [("target", "repeated-parameter")]),
        ("routes/verdigris/plan?target=1e400%20g", [("target", "out-of-range")]),
        ("routes/verdigris/plan?target=25g&as_of=2026-02-30", [("as_of", "bad-parameter")]),
        ("routes/verdigris/steps/carbonate/batch-sheet?key_input=50g&lots=nothing", [("lots", "unknown-reference")]),
        ("routes/verdigris/steps/carbonate/batch-sheet?key_input=50g&lots=vinegar-1", [("lots", "not-an-input")]),
    ],
)
def test_a_question_that_is_not_understood(path: str, faulty: list[tuple[str, str]], bench: Bench) -> None:
    answer = bench.refused(path, method="GET")
    assert answer.status_code == 400
    assert faults(answer) == faulty


def test_questions_about_what_is_not_there(bench: Bench) -> None:
    for path in ("routes/nothing/yields", "routes/nothing/plan?target=1g", "routes/nothing/cost"):
        assert bench.refused(path, method="GET").status_code == 404
    lost = bench.refused("routes/verdigris/steps/boil/batch-sheet?key_input=1g", method="GET")
    assert lost.status_code == 404
    assert "carbonate, dissolve" in lost.get_json(force=True)["detail"]
    rate = bench.refused("routes/verdigris/cost?currency=CHF", method="GET")
    assert (rate.status_code, rate.get_json(force=True)["code"]) == (422, "no-exchange-rate")
    assert "EUR to CHF" in rate.get_json(force=True)["detail"]
