"""A correction says which lots cost otherwise by it: what each cost before and costs now, and no others.

The figures of the worked graph by hand: acid lots (2.40 + 0.54 + 1.00)/150 and /120, the pool of 150 and 100 g of them,
the ester 0.95·(200·k_pool + 5.15)/170. What the answer to a write says must be what every lot is found to cost.
"""

from __future__ import annotations

import copy
from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench
from tests.stories.worked_graph import acidify, bought, deliver, eur, run_graph, set_up_graph

LOTS = ("benzoate-1", "acid-1", "ethanol-1", "old-ethanol", "organic-1", "organic-2", "pool", "ester-1", "ethanol-back")
DIGITS = 1e-7
"""Of a price per gram: lots are worth whole millionths, and weigh 100 g and more."""


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    run_graph(bench)
    return bench


def per_gram(bench: Bench) -> dict[str, dict[str, float]]:
    names = ("cost_per_g", "cost_per_contained_g", "total")
    return {lot: {name: found[name] for name in names} for lot in LOTS if (found := bench.get(f"lots/{lot}/cost"))}


def moved_by(
    bench: Bench, path: str, body: Any, name: str = "cost_per_g"
) -> dict[str, tuple[float | None, float | None]]:
    """Write something; before and after by lot, as the answer says it, held against what every lot is found to cost."""
    before = per_gram(bench)
    told = bench.put(path, body)
    after = per_gram(bench)
    assert {each["lot"] for each in told.get("moved_lots", ())} == {lot for lot in LOTS if before[lot] != after[lot]}
    assert told.get("more_moved_lots", 0) == 0
    moved = {each["lot"]: (each["before"][name], each["after"][name]) for each in told.get("moved_lots", ())}
    assert moved == {lot: (before[lot][name], after[lot][name]) for lot in moved}
    return moved


def test_a_corrected_weighing_moves_what_was_made_of_the_lot(bench: Bench) -> None:
    moved = moved_by(bench, "runs/A-2", acidify(2, "130 g"))
    assert moved.keys() == {"organic-2", "pool", "ester-1", "ethanol-back"}
    assert moved["organic-2"] == pytest.approx((3.94 / 120, 3.94 / 130), abs=DIGITS)
    pool = (3.94 + 100 * 3.94 / 130) / 250
    assert moved["pool"][1] == pytest.approx(pool, abs=DIGITS)
    assert moved["ester-1"][1] == pytest.approx(0.95 * (200 * pool + 5.15) / 170, abs=DIGITS)


def test_a_corrected_receipt_moves_everything_that_came_of_it(bench: Bench) -> None:
    order = bench.get("purchases/order-1")
    salt, acid = ({key: line[key] for key in ("lot", "material", "amount")} for line in order["lines"])
    lines = [{**salt, "price": eur("10.00")}, {**acid, "price": eur("5.00")}]
    body = {"supplier": "corner", "bought_on": "2026-03-01", "shipping": eur("4.50"), "lines": lines}
    moved = moved_by(bench, "purchases/order-1", body)  # its shipping was 3.00: by value 13.00 and 6.50 now
    assert moved.keys() == set(LOTS) - {"ethanol-1", "old-ethanol"}
    assert moved["benzoate-1"] == pytest.approx((0.012, 0.013), abs=DIGITS)
    assert moved["organic-1"][1] == pytest.approx((200 * 0.013 + 90 * 0.0065 + 1) / 150, abs=DIGITS)


def test_the_price_of_an_offer_reaches_the_receipts_that_rest_on_it(bench: Bench) -> None:
    offer = {"material": "benzoate", "supplier": "corner", "pack": "500 g", "valid_from": "2026-01-01"}
    bench.put("offers/benzoate-500g", {**offer, "price": eur("5.00")})
    line = {"lot": "benzoate-1", "offer": "benzoate-500g", "packs": 2}
    acid = {"lot": "acid-1", "material": "mineral-acid", "amount": "1000 g", "price": eur("5.00")}
    order = {"supplier": "corner", "bought_on": "2026-03-01", "lines": [line, acid]}
    bench.put("purchases/order-1", order)
    moved = moved_by(bench, "offers/benzoate-500g", {**offer, "price": eur("6.00")})
    assert moved["benzoate-1"] == pytest.approx((0.010, 0.012), abs=DIGITS)
    assert moved.keys() == {"benzoate-1", "organic-1", "organic-2", "pool", "ester-1", "ethanol-back"}


def test_the_price_of_an_offer_reaches_the_runs_that_charged_by_it(bench: Bench) -> None:
    """An offer of a day that is past corrects what was charged without a lot since, a later one nothing."""
    run = acidify(1, "150 g")
    run["charges"].append({"material": "ethanol", "amount": "50 g"})
    assert moved_by(bench, "runs/A-1", run)["organic-1"][1] is None  # nobody says what ethanol costs
    offer = {"material": "ethanol", "supplier": "corner", "pack": "100 g", "valid_from": "2026-03-01"}
    moved = moved_by(bench, "offers/ethanol-100g", {**offer, "price": eur("2.00")})
    assert moved.keys() == {"organic-1", "pool", "ester-1", "ethanol-back"}
    assert moved["organic-1"] == (None, pytest.approx(4.94 / 150, abs=DIGITS))
    moved = moved_by(bench, "offers/ethanol-100g", {**offer, "price": eur("3.00")})
    assert moved["organic-1"] == pytest.approx((4.94 / 150, 5.44 / 150), abs=DIGITS)
    later = {**offer, "valid_from": "2026-03-03", "price": eur("1.00")}
    assert moved_by(bench, "offers/ethanol-cheap", later) == {}


def test_the_value_of_an_opening_lot(bench: Bench) -> None:
    moved = moved_by(bench, "lots/old-ethanol", bought("ethanol", "50 g", "1.15", origin="opening"))
    assert moved.keys() == {"old-ethanol", "ester-1", "ethanol-back"}
    assert moved["ester-1"][1] - moved["ester-1"][0] == pytest.approx(0.95 / 170, abs=DIGITS)


def test_a_late_assay_moves_what_its_content_shares(bench: Bench) -> None:
    """Without stated shares a run's cost goes by contained mass: a lot found to hold half carries less of it."""
    run = bench.get("runs/E-1")
    body = {key: run[key] for key in ("route", "step", "status", "started_on", "finished_on", "operator")}
    outturns = [
        {"material": "ester", "lot": "ester-1", "net": "170 g"},
        {"material": "ethanol", "lot": "ethanol-back", "role": "recovered", "net": "180 g"},
    ]
    taken = {"pool": "200 g", "ethanol-1": "300 g", "old-ethanol": "50 g"}
    charges = [{"lot": lot, "amount": amount} for lot, amount in taken.items()]
    moved_by(bench, "runs/E-1", {**body, "charges": charges, "outturns": outturns})
    assay = {"kind": "assay", "on": "2026-03-20", "assay": "0.5"}
    moved = moved_by(bench, "stock-entries/late", {"lot": "ethanol-back", **assay})
    total = 200 * 0.0288933 + 5.15
    assert moved.keys() == {"ester-1", "ethanol-back"}
    assert moved["ethanol-back"] == pytest.approx((total / 350, total * 90 / 260 / 180), abs=1e-6)
    back = moved_by(bench, "stock-entries/wrong", {"reverses": "late", "on": "2026-03-21", "reason": "another bottle"})
    assert back == {lot: (after, before) for lot, (before, after) in moved.items()}
    # What was bought costs what it cost, whatever is found in it; what it holds of the wanted costs twice as much.
    moved = moved_by(bench, "stock-entries/salt", {"lot": "benzoate-1", **assay}, "cost_per_contained_g")
    assert moved == {"benzoate-1": pytest.approx((0.012, 0.024))}


def test_a_route_corrected_in_what_its_batches_use_up(bench: Bench) -> None:
    """With a correction the runs so far go by the new sum; without the word it holds for those to come."""
    route = bench.get("routes/ester")
    route = {key: copy.deepcopy(route[key]) for key in ("name", "product", "steps")}
    route["steps"][0]["consumables"] = eur("1.60")
    assert moved_by(bench, "routes/ester", route) == {}
    route["steps"][0]["consumables"] = eur("1.00")
    assert moved_by(bench, "routes/ester", route) == {}
    route["steps"][0]["consumables"] = eur("1.60")
    moved = moved_by(bench, "routes/ester", {**route, "change": "correction"})
    assert moved.keys() == {"organic-1", "organic-2", "pool", "ester-1", "ethanol-back"}
    assert moved["organic-1"] == pytest.approx((3.94 / 150, 4.54 / 150), abs=DIGITS)


def test_what_moves_no_cost_says_nothing(bench: Bench) -> None:
    deliver(bench)
    for path, body in (
        ("runs/A-1", {**acidify(1, "150 g"), "note": "stirred by hand", "tags": ["slow"]}),
        ("materials/benzoate", {"name": "sodium benzoate"}),
        ("stock-entries/counted", {"lot": "pool", "kind": "recount", "on": "2026-03-08", "amount": "49 g"}),
        ("runs/A-9", {**acidify(9, "150 g"), "outturns": []} | {"status": "failed"}),
    ):
        assert "moved_lots" not in bench.put(path, body), path


def test_at_most_a_hundred_are_told(bench: Bench) -> None:
    """105 lots of 1 g each were filled from one bottle, and 105 more of these."""
    lot = bought("ethanol", "1000 g", "10.00")
    bench.put("lots/drum", lot)
    lines = [
        {"kind": "pool", "code": f"P-{level}-{n}", "record": {
            "made_on": "2026-03-02", "lot": f"bottle-{level}-{n}",
            "from": [{"lot": "drum" if level == 0 else f"bottle-0-{n}", "amount": "1 g"}]}}
        for level in (0, 1) for n in range(105)
    ]  # fmt: skip
    sent = bench.client.post("/v1/imports", json=lines[:105])
    assert sent.status_code in (200, 201), sent.text
    told = bench.put("lots/drum", {**lot, "value": eur("20.00")})
    assert (len(told["moved_lots"]), told["more_moved_lots"]) == (100, 6)
    assert told["moved_lots"][0]["before"]["cost_per_g"] == pytest.approx(0.01)
    assert told["moved_lots"][0]["after"]["total"] == eur("0.020000")
    sent = bench.client.post("/v1/imports", json=lines[105:])
    assert sent.status_code in (200, 201), sent.text
    told = bench.put("lots/drum", lot)
    assert (len(told["moved_lots"]), told["more_moved_lots"]) == (100, None)  # more rest on it than were traced


# ---- rates, exchange rates, removals and imports


def with_energy(bench: Bench) -> None:
    for number, net in ((1, "150 g"), (2, "120 g")):
        bench.put(f"runs/A-{number}", {**acidify(number, net), "energy": "2 kWh"})


def assert_told(told: list[dict[str, Any]], before: dict[str, Any], after: dict[str, Any]) -> None:
    """What is told of lots is what every lot is found to cost before and after, and of no others."""
    assert [each["lot"] for each in told] == [lot for lot in sorted(LOTS) if before[lot] != after[lot]]
    for each in told:
        for name, found in (("before", before), ("after", after)):
            assert each[name]["cost_per_g"] == found[each["lot"]]["cost_per_g"]
            assert each[name]["cost_per_contained_g"] == found[each["lot"]]["cost_per_contained_g"]


def removed(bench: Bench, path: str) -> dict[str, Any]:
    """Remove a record; without anything that costs otherwise there is nothing to tell."""
    before, etag = per_gram(bench), bench.client.get(f"/v1/{path}").headers["ETag"]
    sent = bench.client.delete(f"/v1/{path}", headers={"If-Match": etag})
    after = per_gram(bench)
    moved = {lot for lot in LOTS if before[lot] != after[lot]}
    assert sent.status_code == (200 if moved else 204), sent.text
    told: dict[str, Any] = sent.get_json() if moved else {}
    assert_told(told.get("moved_lots", []), before, after)
    return told


def test_a_rate_reaches_every_run_that_used_what_it_prices(bench: Bench) -> None:
    with_energy(bench)
    rate = {"of": "energy", "price": eur("0.50"), "per": "1 kWh", "valid_from": "2026-03-01"}
    moved = moved_by(bench, "rates/power", rate)
    assert moved.keys() == {"organic-1", "organic-2", "pool", "ester-1", "ethanol-back"}
    assert moved["organic-1"] == pytest.approx((3.94 / 150, 4.94 / 150), abs=DIGITS)
    moved = moved_by(bench, "rates/power", {**rate, "price": eur("1.00")})
    assert moved["organic-1"] == pytest.approx((4.94 / 150, 5.94 / 150), abs=DIGITS)
    assert moved_by(bench, "rates/later", {**rate, "valid_from": "2026-03-03", "price": eur("9.00")}) == {}
    assert moved_by(bench, "rates/lees", {**rate, "of": "waste", "per": "1 kg"}) == {}
    told = removed(bench, "rates/power")
    assert {each["lot"] for each in told["moved_lots"]} == moved.keys()
    assert removed(bench, "rates/later") == {}


def test_a_rate_of_labour_moves_what_counts_hours(bench: Bench) -> None:
    bench.put("runs/A-1", {**acidify(1, "150 g"), "labour": "1 h"})
    rate = {"of": "labour", "price": eur("30.00"), "per": "1 h", "valid_from": "2026-03-01"}
    before = per_gram(bench)
    told = bench.put("rates/hours", rate)
    assert per_gram(bench) == before  # nothing counts hours that is not asked to
    assert told["with_labour"] is True
    moved = {each["lot"]: each["after"] for each in told["moved_lots"]}
    assert moved.keys() == {"organic-1", "pool", "ester-1", "ethanol-back"}
    for lot, after in moved.items():
        found = bench.get(f"lots/{lot}/cost", labour="true")
        assert found["cost_per_g"] == after["cost_per_g"]


def test_an_exchange_rate_reaches_what_was_paid_in_its_currency(bench: Bench) -> None:
    rate = {"base": "USD", "quote": "EUR", "rate": "0.50", "valid_from": "2026-01-01"}
    assert moved_by(bench, "exchange-rates/usd", rate) == {}
    lot = {**bought("ethanol", "800 g", "8.00"), "value": {"amount": "16.00", "currency": "USD"}}
    assert moved_by(bench, "lots/ethanol-1", lot) == {}
    moved = moved_by(bench, "exchange-rates/usd", {**rate, "rate": "1.00"})
    assert moved.keys() == {"ethanol-1", "ester-1", "ethanol-back"}
    assert moved["ethanol-1"] == pytest.approx((0.01, 0.02), abs=DIGITS)
    newer = {**rate, "rate": "2.00", "valid_from": "2026-02-01"}
    assert moved_by(bench, "exchange-rates/usd-2", newer)["ethanol-1"] == pytest.approx((0.02, 0.04), abs=DIGITS)
    assert moved_by(bench, "exchange-rates/chf", {**rate, "base": "CHF"}) == {}
    told = removed(bench, "exchange-rates/usd-2")
    assert {each["lot"] for each in told["moved_lots"]} == moved.keys()
    assert removed(bench, "exchange-rates/chf") == {}


def test_an_offer_that_is_removed(bench: Bench) -> None:
    run = acidify(1, "150 g")
    run["charges"].append({"material": "ethanol", "amount": "50 g"})
    bench.put("runs/A-1", run)
    offer = {"material": "ethanol", "supplier": "corner", "pack": "100 g", "valid_from": "2026-03-01"}
    bench.put("offers/ethanol-100g", {**offer, "price": eur("2.00")})
    told = removed(bench, "offers/ethanol-100g")
    assert {each["lot"] for each in told["moved_lots"]} == {"organic-1", "pool", "ester-1", "ethanol-back"}
    assert all(each["after"]["total"] is None for each in told["moved_lots"])


def test_a_route_that_makes_what_was_charged_without_its_lot(bench: Bench) -> None:
    """No offer stands in for what the workshop makes itself: nobody knows which lot it was."""
    run = acidify(1, "150 g")
    run["charges"].append({"material": "ethanol", "amount": "50 g"})
    bench.put("runs/A-1", run)
    offer = {"material": "ethanol", "supplier": "corner", "pack": "100 g", "valid_from": "2026-03-01"}
    bench.put("offers/ethanol-100g", {**offer, "price": eur("2.00")})
    step = {"code": "still", "name": "distil", "basis": "mass-ratio", "key_input": "ester", "product": "ethanol"}
    moved = moved_by(bench, "routes/still", {"name": "ethanol", "product": "ethanol", "steps": [step]})
    assert moved.keys() == {"organic-1", "pool", "ester-1", "ethanol-back"}
    assert moved["organic-1"][1] is None
    assert removed(bench, "routes/still")["moved_lots"][0]["before"]["total"] is None


def imported(bench: Bench, lines: list[dict[str, Any]], **asked: str) -> dict[str, Any]:
    """Import lines; the report, now and later, says which lots cost otherwise by it."""
    before = per_gram(bench)
    sent = bench.client.post("/v1/imports", json=lines, query_string=asked)
    assert sent.status_code in (200, 201), sent.text
    told: dict[str, Any] = sent.get_json()
    if asked.get("dry_run") != "true":
        after = per_gram(bench)
        assert_told(told["moved_lots"], before, after)
        assert told["more_moved_lots"] == 0
        assert bench.get(f"imports/{told['code']}")["moved_lots"] == told["moved_lots"]
    return told


def line(kind: str, code: str, record: dict[str, Any]) -> dict[str, Any]:
    return {"kind": kind, "code": code, "record": record}


def test_an_import_says_what_it_moved(bench: Bench) -> None:
    with_energy(bench)
    rate = {"of": "energy", "price": eur("0.50"), "per": "1 kWh", "valid_from": "2026-03-01"}
    told = imported(bench, [line("rate", "power", rate)])
    assert [each["lot"] for each in told["moved_lots"]][:3] == ["ester-1", "ethanol-back", "organic-1"]
    again = imported(bench, [line("rate", "power", rate)])
    assert (again["unchanged"], again["moved_lots"]) == (1, [])
    lines = [
        line("run", "A-2", {**acidify(2, "130 g"), "energy": "2 kWh"}),
        line("lot", "old-ethanol", bought("ethanol", "50 g", "1.15", origin="opening")),
        line("run", "A-9", acidify(9, "100 g")),
        line("project", "pigments", {"name": "pigments"}),
    ]
    dry = imported(bench, lines, replace="true", dry_run="true")
    told = imported(bench, lines, replace="true")
    assert dry["moved_lots"] == told["moved_lots"]
    assert {each["lot"] for each in told["moved_lots"]} == {
        "organic-2", "pool", "old-ethanol", "ester-1", "ethanol-back"
    }  # fmt: skip
    assert imported(bench, [line("run", "A-8", acidify(8, "90 g"))])["moved_lots"] == []


def test_an_import_says_which_runs_give_something_else(bench: Bench) -> None:
    assay = {"lot": "ester-1", "kind": "assay", "on": "2026-03-20", "assay": "0.5"}
    told = imported(bench, [line("stock-entry", "late", assay)])
    assert told["runs_moved"] == len(told["moved_runs"]) == 1
    (run,) = told["moved_runs"]
    assert run["run"] == "E-1"
    assert (run["before"]["contained_g"], run["after"]["contained_g"]) == (170.0, 85.0)
    assert bench.get("runs/E-1")["result"]["contained_g"] == 85.0
