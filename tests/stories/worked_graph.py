"""An invented graph whose every figure is known: an acid from its salt, pooled, and an ester that gives back ethanol.

Sources 31.15: three bought lots 26.00 (two of them on one receipt, its shipping shared by value), ethanol found on the
shelf 0.15, three acidifications at 1.00 and an esterification at 2.00 for what they use up beside the lots.
"""

from __future__ import annotations

from typing import Any

from tests.stories.bench import Bench


def eur(amount: str) -> dict[str, str]:
    return {"amount": amount, "currency": "EUR"}


def bought(material: str, amount: str, value: str, *, on: str = "2026-03-01", origin: str = "bought") -> dict[str, Any]:
    return {"material": material, "amount": amount, "value": eur(value), "received_on": on, "origin": origin}


def set_up_graph(bench: Bench) -> None:
    """Materials, lots and the route with its two steps."""
    for code in ("benzoate", "mineral-acid", "ethanol", "organic-acid", "ester"):
        bench.put(f"materials/{code}", {"name": code.replace("-", " ")})
    bench.put("suppliers/corner", {"name": "corner shop"})
    receipt = [
        {"lot": "benzoate-1", "material": "benzoate", "amount": "1000 g", "price": eur("10.00")},
        {"lot": "acid-1", "material": "mineral-acid", "amount": "1000 g", "price": eur("5.00")},
    ]
    order = {"supplier": "corner", "bought_on": "2026-03-01", "shipping": eur("3.00"), "lines": receipt}
    bench.put("purchases/order-1", order)
    bench.put("lots/ethanol-1", bought("ethanol", "800 g", "8.00"))
    bench.put("lots/old-ethanol", bought("ethanol", "50 g", "0.15", origin="opening"))
    ratio = {"basis": "mass-ratio"}
    acidify = {**ratio, "code": "acidify", "name": "acidify", "key_input": "benzoate", "product": "organic-acid"}
    esterify = {**ratio, "code": "esterify", "name": "esterify", "key_input": "organic-acid", "product": "ester"}
    steps = [
        {**acidify, "bill": [{"material": "mineral-acid", "per_key_input": "0.45 g/g"}], "consumables": eur("1.00")},
        {**esterify, "bill": [{"material": "ethanol", "per_key_input": "1.75 g/g"}], "consumables": eur("2.00")},
    ]
    bench.put("routes/ester", {"name": "ester from its salt", "product": "ester", "steps": steps})


def acidify(number: int, net: str | None) -> dict[str, Any]:
    """A run of the first step, failed where nothing came out."""
    made = [{"material": "organic-acid", "lot": f"organic-{number}", "net": net}]
    return {
        "route": "ester",
        "step": "acidify",
        "status": "failed" if net is None else "finished",
        "started_on": "2026-03-02",
        "finished_on": "2026-03-02",
        "operator": "m1",
        "charges": [{"lot": "benzoate-1", "amount": "200 g"}, {"lot": "acid-1", "amount": "90 g"}],
        "outturns": [] if net is None else made,
    }


def run_graph(bench: Bench) -> None:
    """The runs and the pool of the graph."""
    for number, net in ((1, "150 g"), (2, "120 g"), (3, None)):
        bench.put(f"runs/A-{number}", acidify(number, net))
    parts = [{"lot": "organic-1", "amount": "150 g"}, {"lot": "organic-2", "amount": "100 g"}]
    bench.put("pools/pooling", {"made_on": "2026-03-03", "from": parts, "lot": "pool"})
    ester = {
        "route": "ester",
        "step": "esterify",
        "status": "finished",
        "started_on": "2026-03-04",
        "finished_on": "2026-03-06",
        "operator": "m2",
        "charges": [
            {"lot": "pool", "amount": "200 g"},
            {"lot": "ethanol-1", "amount": "300 g"},
            {"lot": "old-ethanol", "amount": "50 g"},
        ],
        "outturns": [
            {"material": "ester", "lot": "ester-1", "net": "170 g", "cost_share": "0.95"},
            {"material": "ethanol", "lot": "ethanol-back", "role": "recovered", "net": "180 g", "cost_share": "0.05"},
        ],
    }
    bench.put("runs/E-1", ester)


def deliver(bench: Bench) -> None:
    """All of the ester is handed over."""
    given = {"lot": "ester-1", "kind": "delivery", "on": "2026-03-07", "amount": "170 g"}
    bench.put("stock-entries/handed-over", given)
