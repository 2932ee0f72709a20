"""Purchases, stock entries and counts over HTTP: what they answer, and what is refused with how to mend it."""

from __future__ import annotations

from typing import Any

import pytest
from flask.testing import FlaskClient

from tests.stories.bench import Bench, faults

SHIPPING = {"amount": "1.00", "currency": "EUR"}
PURCHASE: dict[str, Any] = {
    "supplier": "shop",
    "bought_on": "2026-03-04",
    "shipping": SHIPPING,
    "lines": [
        {"lot": "ash-1", "material": "soda-ash", "amount": "1 kg", "price": {"amount": "3.00", "currency": "EUR"}},
        {"lot": "acid-1", "material": "acid", "amount": "1 L", "price": {"amount": "6.00", "currency": "EUR"}},
    ],
}


@pytest.fixture
def stocked(bench: FlaskClient) -> Bench:
    at = Bench(bench)
    at.put("materials/soda-ash", {"name": "sodium carbonate", "formula": "Na2CO3"})
    at.put("materials/acid", {"name": "acid", "density": "1.1 g/mL"})
    at.put("suppliers/shop", {"name": "corner shop"})
    at.put("purchases/P-1", PURCHASE)
    return at


def test_a_purchase_tells_what_its_lots_cost(stocked: Bench) -> None:
    told = stocked.get("purchases/P-1")
    assert [line["value"]["amount"] for line in told["landed"]] == ["3.333333", "6.666667"]
    lot = stocked.get("lots/ash-1")
    assert lot["made_by"] == {"kind": "purchases", "code": "P-1"}
    assert (lot["supplier"], lot["value"], lot["on_hand_g"]) == ("shop", told["landed"][0]["value"], 1000.0)
    refused = stocked.refused("lots/ash-1", {"material": "soda-ash", "amount": "1 kg"})
    assert refused.status_code == 409
    assert refused.get_json()["written_through"] == {"kind": "purchases", "code": "P-1"}
    assert [
        each["code"] for each in stocked.get("purchases", supplier="shop", bought_on_from="2026-03-01")["items"]
    ] == ["P-1"]


def test_an_entry_is_written_once_and_stays(stocked: Bench) -> None:
    entry = {"lot": "acid-1", "kind": "delivery", "on": "2026-03-05", "amount": "110 g", "operator": "m1"}
    told = stocked.put("stock-entries/E-1", entry)
    assert told["booked"] == {
        "lot": "acid-1", "kind": "delivery", "on": "2026-03-05", "quantity_ml": -100.0, "reasons": {},
    }  # fmt: skip
    assert stocked.client.put("/v1/stock-entries/E-1", json=entry).status_code == 200
    for etag in ("*", stocked.client.get("/v1/stock-entries/E-1").headers["ETag"]):
        refused = stocked.refused("stock-entries/E-1", {**entry, "amount": "11 g"}, headers={"If-Match": etag})
        assert (refused.status_code, refused.get_json()["code"]) == (409, "never-edited")
    refused = stocked.refused("stock-entries/E-1", method="DELETE", headers={"If-Match": "*"})
    assert (refused.status_code, refused.get_json()["code"]) == (409, "never-removed")
    assert "reverses" in refused.get_json()["detail"]
    stocked.put("stock-entries/E-2", {"reverses": "E-1", "on": "2026-03-06", "reason": "it stayed here"})
    assert stocked.get("lots/acid-1")["on_hand_ml"] == 1000.0
    assert [each["code"] for each in stocked.get("stock-entries", lot="acid-1", kind="delivery")["items"]] == [
        "E-1",
        "E-2",
    ]


def test_an_overdrawn_lot_says_so(stocked: Bench) -> None:
    stocked.put("stock-entries/E-1", {"lot": "ash-1", "kind": "disposal", "on": "2026-03-05", "amount": "1.2 kg"})
    assert [finding["code"] for finding in stocked.get("lots/ash-1")["findings"]] == ["overdrawn"]


COUNT: dict[str, Any] = {
    "on": "2026-03-31",
    "counted": [{"lot": "ash-1", "amount": "0.95 kg"}, {"lot": "acid-1", "amount": "1.1 kg"}],
    "operator": "m1",
}


def test_a_shelf_counted_in_one_request(stocked: Bench) -> None:
    stocked.put("stock-entries/E-1", {"lot": "acid-1", "kind": "sample", "on": "2026-03-31", "amount": "5 mL"})
    before = stocked.get("lots")["items"][0]["state"]
    sent = stocked.client.post("/v1/stock-counts", json=COUNT)
    assert sent.status_code == 201
    ash, acid = sent.get_json()["counted"]
    assert {key: ash[key] for key in ("lot", "booked", "counted", "difference", "difference_g", "reasons")} == {
        "lot": "ash-1", "booked": "1000 g", "counted": "0.95 kg", "difference": "-50 g", "difference_g": -50.0,
        "reasons": {},
    }  # fmt: skip
    assert {key: acid[key] for key in ("booked", "counted", "difference", "booked_ml", "counted_ml")} == {
        "booked": "995 mL", "counted": "1.1 kg", "difference": "5 mL", "booked_ml": 995.0, "counted_ml": 1000.0,
    }  # fmt: skip
    assert stocked.get("lots/ash-1")["on_hand_g"] == 950.0
    entry = stocked.get(f"stock-entries/{acid['entry']}")
    assert (entry["kind"], entry["amount"], entry["operator"]) == ("recount", "1.1 kg", "m1")
    assert entry["state"] > before


def test_a_count_is_all_or_nothing(stocked: Bench) -> None:
    wrong = {
        **COUNT,
        "counted": [*COUNT["counted"], {"lot": "ash-9", "amount": "1 g"}, {"lot": "ash-1", "amount": "1 g"}],
    }
    assert faults(stocked.refused("stock-counts", wrong, method="POST")) == [("/counted/3/lot", "repeated-code")]
    wrong["counted"][3] = {"lot": "acid-1", "amount": "x"}
    assert faults(stocked.refused("stock-counts", wrong, method="POST")) == [
        ("/counted/3/amount", "not-a-number"),
        ("/counted/3/lot", "repeated-code"),
    ]
    wrong["counted"][3:] = []
    wrong["counted"][0] = {"lot": "ash-1", "amount": "1 L"}
    assert faults(stocked.refused("stock-counts", wrong, method="POST")) == [
        ("/counted/0/amount", "cannot-be-converted"),
        ("/counted/2/lot", "unknown-reference"),
    ]
    early = {**COUNT, "on": "2026-03-03"}
    assert faults(stocked.refused("stock-counts", early, method="POST")) == [
        ("/counted/0/lot", "before-it-existed"),
        ("/counted/1/lot", "before-it-existed"),
    ]
    assert stocked.get("stock-entries")["items"] == []
    assert stocked.refused("stock-counts", ["x"], method="POST").status_code == 422


def test_a_count_under_a_key_is_written_once(stocked: Bench) -> None:
    headers = {"Idempotency-Key": "shelf-2026-03-31"}
    first = stocked.client.post("/v1/stock-counts", json=COUNT, headers=headers)
    again = stocked.client.post("/v1/stock-counts", json=COUNT, headers=headers)
    assert "Idempotent-Replayed" not in first.headers
    assert again.headers["Idempotent-Replayed"] == "true"
    assert again.get_json() == first.get_json()
    fewer = {**COUNT, "counted": COUNT["counted"][:1]}
    for other in (fewer, {**COUNT, "on": "2026-04-01"}, {**COUNT, "counted": COUNT["counted"][::-1]}):
        refused = stocked.refused("stock-counts", other, method="POST", headers=headers)
        assert (refused.status_code, refused.get_json()["code"]) == (422, "idempotency-key-reused")
    assert len(stocked.get("stock-entries")["items"]) == 2
    # Of two counts on one day the one whose code comes last is the last: a day later there is no doubt.
    twice = stocked.client.post("/v1/stock-counts", json={**COUNT, "on": "2026-04-01"})
    assert [line["difference_g"] for line in twice.get_json()["counted"] if "difference_g" in line] == [0.0]


def test_only_who_may_record_counts(client_of: Any) -> None:
    assert client_of("read").post("/v1/stock-counts", json=COUNT).status_code == 403
