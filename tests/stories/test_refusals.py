"""What the ledger refuses is refused at every door, with its place in what was sent, and nothing of it is written.

Each tale has what is there already and one record too many. It is sent by PUT and by POST, alone in an import, and with
all the rest in one file in either order: as a JSON array, as NDJSON, and as a table of weighings where one can hold it.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any, NamedTuple

import pytest
from flask.testing import FlaskClient

from service.schemas.kinds import plural
from tests.stories.bench import Bench
from tests.stories.worked_graph import eur, set_up_graph

Line = dict[str, Any]
DAYS = {"started_on": "2026-03-02", "finished_on": "2026-03-03"}


def usd(amount: str) -> dict[str, str]:
    return {"amount": amount, "currency": "USD"}


def run(number: int, **changes: Any) -> Line:
    """A run that acidifies 200 g for 2.40 + 0.54 + 1.00, and gives the acid and a recovered salt."""
    record = {
        "route": "ester", "step": "acidify", "status": "finished", "operator": "m1", **DAYS,
        "charges": [{"lot": "benzoate-1", "amount": "200 g"}, {"lot": "acid-1", "amount": "90 g"}],
        "outturns": [
            {"material": "organic-acid", "lot": f"organic-{number}", "net": "150 g"},
            {"material": "benzoate", "lot": f"salt-{number}", "role": "recovered", "net": "20 g"},
        ],
        **changes,
    }  # fmt: skip
    return {"kind": "run", "code": f"A-{number}", "record": record}


def outturns(number: int, *more: dict[str, Any]) -> list[dict[str, Any]]:
    return [{**each, **extra} for each, extra in zip(run(number)["record"]["outturns"], more, strict=True)]


def lot(code: str, **changes: Any) -> Line:
    record = {"material": "ethanol", "amount": "100 g", "received_on": "2026-03-01", **changes}
    return {"kind": "lot", "code": code, "record": record}


def rate(code: str, day: str, base: str = "USD") -> Line:
    record = {"base": base, "quote": "EUR", "rate": "0.90", "valid_from": day}
    return {"kind": "exchange-rate", "code": code, "record": record}


def entry(code: str, of: str, day: str) -> Line:
    return {"kind": "stock-entry", "code": code, "record": {"lot": of, "kind": "sample", "on": day, "amount": "1 g"}}


def purchase(**changes: Any) -> Line:
    lines = [{"lot": "drum", "material": "ethanol", "amount": "1 kg", "price": usd("9")}]
    return {"kind": "purchase", "code": "P-1", "record": {"supplier": "corner", "bought_on": "2026-03-01",
                                                          "lines": lines, **changes}}  # fmt: skip


STILL: Line = {"kind": "route", "code": "still", "record": {"name": "still", "product": "ester", "steps": [
    {"code": "still", "name": "distil", "basis": "mass-ratio", "key_input": "ethanol", "product": "ester",
     "consumables": usd("1.00")}]}}  # fmt: skip
ENERGY: Line = {"kind": "rate", "code": "power", "record": {"of": "energy", "price": usd("0.30"), "per": "1 kWh",
                                                            "valid_from": "2026-01-01"}}  # fmt: skip
POOL: Line = {"kind": "pool", "code": "P-9", "record": {
    "made_on": "2026-03-01", "from": [{"lot": "organic-1", "amount": "10 g"}], "lot": "pooled"}}  # fmt: skip


class Tale(NamedTuple):
    """What is there, the record too many, and what is wrong with it: code of the fault by the pointer into it."""

    there: list[Line]
    sent: Line
    wrong: dict[str, str]


TALES = {
    "credits above the cost": Tale(
        [],
        run(1, outturns=outturns(1, {}, {"credit": eur("3.95")})),
        {"/outturns/1/credit": "credit-above-cost"},
    ),
    "shares that do not sum to one": Tale(
        [],
        run(1, outturns=outturns(1, {"cost_share": "0.5"}, {"cost_share": "0.4"})),
        {"/outturns": "shares-not-one"},
    ),
    "a charge before its lot existed": Tale(
        [lot("late", received_on="2026-03-05")],
        run(1, charges=[{"lot": "benzoate-1", "amount": "1 g"}, {"lot": "late", "amount": "1 g"}]),
        {"/charges/1/lot": "before-it-existed"},
    ),
    "an entry before its lot existed": Tale([run(1)], entry("E-1", "organic-1", "2026-03-02"),
                                            {"/on": "before-it-existed"}),
    "a pool before its part existed": Tale([run(1)], POOL, {"/from/0/lot": "before-it-existed"}),
    "a run that makes what it takes": Tale(
        [lot("spirit")],
        run(1, charges=[{"lot": "benzoate-1", "amount": "1 g"}, {"lot": "organic-1", "amount": "1 g"}]),
        {},  # nobody has that lot yet: by PUT an unknown one, in a file a lot of its own
    ),
    "a lot there already": Tale([lot("organic-1", material="organic-acid")], run(1), {"/outturns/0/lot": "lot-exists"}),
    "a lot's value in no known currency": Tale([], lot("spirit", value=usd("9")),
                                               {"/value/currency": "no-exchange-rate"}),
    "a lot's value before the first rate": Tale([rate("usd", "2026-03-02")], lot("spirit", value=usd("9")),
                                                {"/value/currency": "no-exchange-rate"}),
    "a purchase in no known currency": Tale([], purchase(), {"/lines/0/price/currency": "no-exchange-rate"}),
    "a charge's price in no known currency": Tale(
        [rate("chf", "2026-01-01", "CHF")],
        run(1, charges=[{"lot": "benzoate-1", "amount": "1 g"},
                        {"material": "ethanol", "amount": "1 g", "price": {**usd("9"), "per": "1 kg"}}]),
        {"/charges/1/price/currency": "no-exchange-rate"},
    ),
    "a credit and a value in no known currency": Tale(
        [],
        run(1, outturns=outturns(1, {"realisable_value": usd("1")}, {"credit": usd("1")})),
        dict.fromkeys(["/outturns/0/realisable_value/currency", "/outturns/1/credit/currency"], "no-exchange-rate"),
    ),
    "a rate in no known currency": Tale([], ENERGY, {"/price/currency": "no-exchange-rate"}),
    "what a batch uses up in no known currency": Tale([], STILL, {"/steps/0/consumables/currency": "no-exchange-rate"}),
    "a batch before the first rate of what it uses up": Tale(
        [rate("usd", "2026-03-04"), STILL, lot("spirit")],
        run(1, route="still", step="still", charges=[{"lot": "spirit", "amount": "1 g"}],
            outturns=[{"material": "ester", "net": "0.9 g"}]),
        {"/step": "no-exchange-rate"},
    ),
}  # fmt: skip


@pytest.fixture
def bench(client: FlaskClient) -> Bench:
    bench = Bench(client)
    set_up_graph(bench)
    return bench


def state_of(bench: Bench) -> int:
    state: int = bench.get("ledger/balance")["rests_on"]["state"]
    return state


def told(answer: Any) -> dict[str, str]:
    """Codes of the faults of a problem by their place."""
    problem = answer.get_json(force=True)
    assert answer.status_code in (409, 422), problem
    return {
        (f"{fault['line']}:" if "line" in fault else "") + fault["pointer"]: fault["code"]
        for fault in problem["faults"]
    }


def put_all(bench: Bench, lines: list[Line]) -> None:
    for line in lines:
        bench.put(f"{plural(line['kind'])}/{line['code']}", line["record"])


def imported(bench: Bench, lines: list[Line], media_type: str, **asked: str) -> Any:
    body = json.dumps(lines) if media_type == "application/json" else "\n".join(map(json.dumps, lines))
    return bench.client.post("/v1/imports", data=body, content_type=media_type, query_string=asked)


@pytest.mark.parametrize("name", TALES)
def test_refused_at_every_door(bench: Bench, name: str) -> None:
    tale = TALES[name]
    kind, code = plural(tale.sent["kind"]), tale.sent["code"]
    before = state_of(bench)
    files: list[tuple[list[Line], Callable[[int], str], str]] = [
        ([*tale.there, tale.sent], lambda place: f"/{place}/record", "application/json"),
        ([tale.sent, *tale.there], lambda place: f"/{place}/record", "application/json"),
        ([*tale.there, tale.sent], lambda place: f"{place + 1}:/record", "application/x-ndjson"),
        ([tale.sent, *reversed(tale.there)], lambda place: f"{place + 1}:/record", "application/x-ndjson"),
    ]
    for lines, place, media_type in files:
        for asked in ({}, {"dry_run": "true"}, {"replace": "true"}):
            answer = imported(bench, lines, media_type, **asked)
            at = place(lines.index(tale.sent))
            found = told(answer)
            assert found, name
            assert not tale.wrong or found == {f"{at}{pointer}": fault for pointer, fault in tale.wrong.items()}
            assert all(pointer.startswith(at) for pointer in found)
            assert state_of(bench) == before
    put_all(bench, tale.there)
    before = state_of(bench)
    doors = {
        "PUT": bench.client.put(f"/v1/{kind}/{code}", json=tale.sent["record"]),
        "POST": bench.client.post(f"/v1/{kind}", json=tale.sent["record"]),
    }
    for door, answer in doors.items():
        found = told(answer)
        assert found, door
        assert not tale.wrong or found == tale.wrong, door
    alone = told(imported(bench, [tale.sent], "application/json"))
    assert not tale.wrong or alone == {f"/0/record{pointer}": fault for pointer, fault in tale.wrong.items()}
    assert state_of(bench) == before
    assert bench.client.get(f"/v1/{kind}/{code}").status_code == 404


@pytest.mark.parametrize("name", [name for name, tale in TALES.items() if "no-exchange-rate" in tale.wrong.values()])
def test_a_rate_that_comes_later_in_the_file(bench: Bench, name: str) -> None:
    """Once the file brings a rate of days that are early enough, all of it is taken, wherever that stands."""
    tale = TALES[name]
    there = [line for line in tale.there if line["kind"] != "exchange-rate"]
    lines = [tale.sent, *there, rate("usd", "2026-01-01")]
    sent = imported(bench, lines, "application/json")
    assert sent.status_code == 201, sent.text
    assert sent.get_json()["created"] == len(lines)


def test_nobody_is_blamed_for_a_rate_that_was_refused_itself(bench: Bench) -> None:
    broken = rate("usd", "yesterday")
    found = told(imported(bench, [lot("spirit", value=usd("9")), ENERGY, broken], "application/json"))
    assert found == {"/2/record/valid_from": "bad-date"}
    found = told(imported(bench, [lot("spirit", value={"amount": "9", "currency": "CHF"}), broken], "application/json"))
    assert found == {"/0/record/value/currency": "no-exchange-rate", "/1/record/valid_from": "bad-date"}


SHEET = "route,step,run,started_on,finished_on,status,direction,material,lot,amount,price\n"


@pytest.mark.parametrize(
    ("rows", "wrong"),
    [
        (["in,ethanol,,5 g,9 USD/kg"], {(2, "price"): "no-exchange-rate"}),
        (["in,,late,5 g,"], {(2, "lot"): "before-it-existed"}),
        (["in,benzoate,benzoate-1,5 g,", "out,organic-acid,late,4 g,"], {(3, "lot"): "lot-exists"}),
    ],
    ids=["a price in no known currency", "a charge before its lot existed", "a lot there already"],
)
def test_refused_in_a_table_of_weighings(bench: Bench, rows: list[str], wrong: dict[tuple[int, str], str]) -> None:
    put_all(bench, [lot("late", received_on="2026-03-05")])
    before = state_of(bench)
    table = SHEET + "".join(f"ester,acidify,A-1,2026-03-02,2026-03-03,finished,{row}\n" for row in rows)
    if len(rows) == 1:
        table += "ester,acidify,A-1,2026-03-02,2026-03-03,finished,out,organic-acid,organic-1,4 g,\n"
    sent = bench.client.post("/v1/imports", data=table, content_type="text/csv")
    assert sent.status_code == 422, sent.text
    assert {(fault["line"], fault["column"]): fault["code"] for fault in sent.get_json(force=True)["faults"]} == wrong
    assert state_of(bench) == before


def test_what_comes_through_another_record_is_not_written_by_itself(bench: Bench) -> None:
    put_all(bench, [run(1)])
    before = state_of(bench)
    line = lot("organic-1", material="organic-acid")
    sent = bench.client.put("/v1/lots/organic-1", json=line["record"], headers={"If-Match": "*"})
    assert (sent.status_code, sent.get_json(force=True)["code"]) == (409, "written-through")
    for media_type in ("application/json", "application/x-ndjson"):
        for asked in ({}, {"replace": "true"}):
            sent = imported(bench, [line], media_type, **asked)
            assert (sent.status_code, sent.get_json(force=True)["code"]) == (409, "written-through")
    assert state_of(bench) == before


def test_lots_that_would_come_of_each_other(bench: Bench) -> None:
    """Through two runs of one file, and through a run that is written over."""
    taken = {"lot": "benzoate-1", "amount": "1 g"}
    there = run(1, finished_on="2026-03-02", charges=[taken, {"lot": "salt-2", "amount": "1 g"}])
    other = run(2, finished_on="2026-03-02", charges=[taken, {"lot": "salt-1", "amount": "1 g"}])
    for lines in ([there, other], [other, there]):
        found = told(imported(bench, lines, "application/json"))
        assert found == dict.fromkeys(["/0/record/charges/1/lot", "/1/record/charges/1/lot"], "circle")
    put_all(bench, [run(1, finished_on="2026-03-02"), other])
    before = state_of(bench)
    sent = bench.client.put("/v1/runs/A-1", json=there["record"], headers={"If-Match": "*"})
    assert set(told(sent).values()) == {"own-ancestor"}
    assert set(told(imported(bench, [there], "application/json", replace="true")).values()) == {"own-ancestor"}
    assert state_of(bench) == before


# ---- exchange rates that recorded money needs


def needed_by(answer: Any) -> set[str]:
    problem = answer.get_json(force=True)
    assert (answer.status_code, problem["code"]) == (409, "rate-needed"), problem
    return {each["code"] for each in problem["referred_to_by"]}


USERS = [
    lot("spirit", value=usd("9")),
    ENERGY,
    STILL,
    run(1, outturns=outturns(1, {}, {"credit": usd("1")})),
    purchase(),
]


def test_a_rate_that_recorded_money_needs_stays(bench: Bench) -> None:
    put_all(bench, [rate("usd", "2026-01-01"), rate("chf", "2026-01-01", "CHF"), *USERS])
    offer = {"material": "ethanol", "supplier": "corner", "pack": "1 kg", "price": {"amount": "9", "currency": "CHF"}}
    bench.put("offers/ethanol-1kg", offer)
    everybody = {"spirit", "power", "still", "A-1", "P-1"}
    before = state_of(bench)

    def changed(line: Line) -> Any:
        path = f"/v1/exchange-rates/{line['code']}"
        return bench.client.put(path, json=line["record"], headers={"If-Match": "*"})

    gone = bench.client.delete("/v1/exchange-rates/usd", headers={"If-Match": "*"})
    assert needed_by(gone) == everybody
    assert "lot spirit" in gone.get_json(force=True)["detail"]
    assert needed_by(changed(rate("usd", "2026-01-01", "GBP"))) == everybody
    assert needed_by(changed(rate("usd", "2026-03-02"))) == {"spirit", "power", "P-1"}
    assert needed_by(changed(rate("usd", "2026-02-01"))) == {"power"}
    sent = imported(bench, [rate("usd", "2026-03-04")], "application/json", replace="true")
    assert sent.status_code == 409
    (fault,) = sent.get_json(force=True)["faults"]
    assert (fault["pointer"], fault["code"]) == ("/0/record", "rate-needed")
    assert state_of(bench) == before
    # Of no money that is recorded, moved to an earlier day, given another figure, or with another rate beside it.
    assert bench.client.delete("/v1/exchange-rates/chf", headers={"If-Match": "*"}).status_code == 204
    assert changed(rate("usd", "2025-12-01")).status_code == 200
    put_all(bench, [rate("usd-2", "2025-12-15")])
    assert bench.client.delete("/v1/exchange-rates/usd", headers={"If-Match": "*"}).status_code == 204


def test_a_file_that_brings_another_rate_may_move_one(bench: Bench) -> None:
    put_all(bench, [rate("usd", "2026-01-01"), *USERS])
    sent = imported(bench, [rate("usd", "2026-06-01"), rate("usd-0", "2025-01-01")], "application/json", replace="true")
    assert sent.status_code == 201, sent.text


def test_the_book_currency_needs_rates_too(bench: Bench) -> None:
    put_all(bench, [run(1)])
    before = state_of(bench)
    sent = bench.client.put("/v1/workshop", json={"currency": "USD"}, headers={"If-Match": "*"})
    assert needed_by(sent) >= {"order-1", "ethanol-1"}
    assert state_of(bench) == before
    put_all(bench, [rate("usd", "2026-01-01")])
    bench.put("workshop", {"currency": "USD"})
    assert bench.get("lots/ethanol-1/cost")["total"] == {"amount": "8.888889", "currency": "USD"}


def test_an_undated_run_counts_on_the_day_of_what_it_takes(bench: Bench) -> None:
    undated = run(1, outturns=outturns(1, {}, {"credit": usd("1")}))
    undated["record"] = {key: value for key, value in undated["record"].items() if key not in DAYS}
    put_all(bench, [rate("usd", "2026-01-01"), undated])  # what it takes came on 2026-03-01
    later = {**rate("usd", "2026-03-02")["record"]}
    sent = bench.client.put("/v1/exchange-rates/usd", json=later, headers={"If-Match": "*"})
    assert needed_by(sent) == {"A-1"}
    later["valid_from"] = "2026-03-01"
    assert bench.client.put("/v1/exchange-rates/usd", json=later, headers={"If-Match": "*"}).status_code == 200


def test_an_offer_is_a_quote_and_waits_for_its_rate(bench: Bench) -> None:
    """A price list may be taken in before the rate is known; what rests on it says what is missing."""
    offer = {"material": "ethanol", "supplier": "corner", "pack": "1 kg", "price": usd("9")}
    bench.put("offers/ethanol-1kg", offer)
    bench.put("suppliers/abroad", {"name": "abroad", "shipping": usd("5")})
    charges = [{"lot": "benzoate-1", "amount": "200 g"}, {"material": "ethanol", "amount": "10 g"}]
    put_all(bench, [run(1, charges=charges)])
    unpriced = bench.get("lots/organic-1/cost")["unpriced"]
    assert [each["of"] for each in unpriced] == ["exchange-rate"]
    line = {"lot": "drum", "offer": "ethanol-1kg"}
    sent = bench.client.put(
        "/v1/purchases/P-2", json={"supplier": "corner", "bought_on": "2026-03-01", "lines": [line]}
    )
    assert told(sent) == {"/lines/0/offer": "no-exchange-rate"}
    put_all(bench, [rate("usd", "2026-01-01")])
    assert bench.get("lots/organic-1/cost")["unpriced"] == []
