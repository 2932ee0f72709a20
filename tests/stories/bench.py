"""Somebody at a bench who talks to the service over HTTP and nothing else."""

from __future__ import annotations

from typing import Any

from flask.testing import FlaskClient
from werkzeug.test import TestResponse

PROBLEM = "application/problem+json"


class Bench:
    """A client that expects to be understood, and can say what it sent when it was not."""

    def __init__(self, client: FlaskClient) -> None:
        self.client = client

    def put(self, path: str, body: Any, **headers: str) -> dict[str, Any]:
        """Write a record; what stands there is read first, and written over."""
        found = self.client.get(f"/v1/{path}")
        if found.status_code == 200:
            headers = {"If-Match": found.headers["ETag"], **headers}
        sent = self.client.put(f"/v1/{path}", json=body, headers=headers)
        assert sent.status_code in (200, 201), sent.text
        told: dict[str, Any] = sent.get_json()
        return told

    def get(self, path: str, **asked: str) -> dict[str, Any]:
        """Read a record or an answer."""
        found = self.client.get(f"/v1/{path}", query_string=asked)
        assert found.status_code == 200, found.text
        told: dict[str, Any] = found.get_json()
        return told

    @property
    def state(self) -> int:
        """The state of the workshop, as any answer tells it."""
        state: int = self.get("routes/verdigris/yields")["rests_on"]["state"]
        return state

    def refused(self, path: str, body: Any = None, *, method: str = "PUT", **sent: Any) -> TestResponse:
        """Send something that is refused as a problem."""
        if body is not None:
            sent["json"] = body
        answer = self.client.open(f"/v1/{path}", method=method, **sent)
        assert answer.status_code >= 400, answer.text
        assert answer.content_type == PROBLEM
        return answer


def faults(answer: TestResponse) -> list[tuple[str | None, str]]:
    """Pointer (or parameter) and code of each fault of a problem."""
    told = answer.get_json(force=True)
    return [(fault.get("pointer") or fault.get("parameter"), fault["code"]) for fault in told.get("faults", ())]


EUR = "EUR"
MATERIALS: dict[str, dict[str, Any]] = {
    "blue-vitriol": {"name": "copper(II) sulfate pentahydrate", "formula": "CuSO4.5H2O", "phase": "solid"},
    "soda-ash": {"name": "sodium carbonate", "formula": "Na2CO3", "phase": "solid"},
    "malachite": {"name": "basic copper carbonate", "formula": "Cu2CO3(OH)2", "phase": "solid"},
    "sodium-sulfate": {"name": "sodium sulfate", "formula": "Na2SO4"},
    "carbon-dioxide": {"name": "carbon dioxide", "formula": "CO2", "phase": "gas"},
    "water": {"name": "water", "formula": "H2O", "density": "0.998 g/mL", "phase": "liquid"},
    "vinegar": {"name": "vinegar", "formula": "CH3COOH", "phase": "solution"},
    "verdigris": {"name": "neutral verdigris", "formula": "Cu(CH3COO)2.H2O", "phase": "solid"},
}
ROUTE: dict[str, Any] = {
    "name": "neutral verdigris from vitriol",
    "product": "verdigris",
    "steps": [
        {
            "code": "carbonate",
            "name": "precipitate basic carbonate",
            "basis": "stoichiometric",
            "key_input": "blue-vitriol",
            "product": "malachite",
            "reaction": {
                "reactants": {"blue-vitriol": 2, "soda-ash": 2},
                "products": {"malachite": 1, "sodium-sulfate": 2, "carbon-dioxide": 1, "water": 9},
            },
            "bill": [
                {"material": "soda-ash", "equivalents": "1.1"},
                {"material": "water", "per_key_input": "8 mL/g"},
            ],
        },
        {
            "code": "dissolve",
            "name": "dissolve in vinegar and let it crystallise",
            "basis": "stoichiometric",
            "key_input": "malachite",
            "product": "verdigris",
            "reaction": {
                "reactants": {"malachite": 1, "vinegar": 4},
                "products": {"verdigris": 2, "carbon-dioxide": 1, "water": 1},
            },
            "bill": [{"material": "vinegar", "equivalents": "4.4"}],
        },
    ],
}


def carbonate(number: int, net: str, **more: Any) -> dict[str, Any]:
    """A run of the first step from the opening lot, its product on a lot of its own."""
    return {
        "route": "verdigris",
        "step": "carbonate",
        "status": "finished",
        "started_on": f"2026-04-{10 + number}",
        "finished_on": f"2026-04-{11 + number}",
        "operator": "m1",
        "charges": [
            {"lot": "vitriol-012", "amount": "50.0 g"},
            {"material": "soda-ash", "amount": "23.5 g"},
            {"material": "water", "amount": "400 mL"},
        ],
        "outturns": [{"material": "malachite", "lot": f"malachite-{number}", "net": net, "assay": "0.96"}],
        **more,
    }


def dissolve(number: int, net: str, **more: Any) -> dict[str, Any]:
    """A run of the second step from what a run of the first made."""
    return {
        "route": "verdigris",
        "step": "dissolve",
        "status": "finished",
        "finished_on": f"2026-05-{10 + number}",
        "operator": "m2",
        "charges": [{"lot": f"malachite-{number}", "amount": "15.00 g"}, {"lot": "vinegar-1", "amount": "300 mL"}],
        "outturns": [{"material": "verdigris", "lot": f"verdigris-{number}", "net": net}],
        **more,
    }


def set_up(bench: Bench) -> None:
    """The workshop, its materials, a shop with its prices, what is on the shelf, and the route."""
    bench.put("workshop", {"title": "pigment bench", "currency": EUR})
    for code, body in MATERIALS.items():
        bench.put(f"materials/{code}", body)
    bench.put("suppliers/corner-shop", {"name": "corner shop", "shipping": {"amount": "4.90", "currency": EUR}})
    for code, material, pack, price in (
        ("vitriol-500g", "blue-vitriol", "500 g", "6.50"),
        ("ash-1kg", "soda-ash", "1 kg", "3.50"),
        ("tap", "water", "1 L", "0"),
        ("vinegar-1l", "vinegar", "1 L", "2.20"),
        ("verdigris-50g", "verdigris", "50 g", "14.00"),
    ):
        offer = {"material": material, "supplier": "corner-shop", "pack": pack}
        bench.put(f"offers/{code}", {**offer, "price": {"amount": price, "currency": EUR}})
    vitriol = {"material": "blue-vitriol", "amount": "500 g", "assay": "0.98", "received_on": "2026-03-04"}
    bench.put("lots/vitriol-012", {**vitriol, "value": {"amount": "6.50", "currency": EUR}})
    bench.put("lots/vinegar-1", {"material": "vinegar", "amount": "5 L", "concentration": "1.5 mol/L"})
    bench.put("routes/verdigris", ROUTE)


def four_runs(bench: Bench) -> None:
    """Two runs of either step."""
    bench.put("runs/VG-1", carbonate(1, "20.41 g"))
    bench.put("runs/VG-2", carbonate(2, "19.02 g"))
    bench.put("runs/VG-3", dissolve(1, "19.8 g"))
    bench.put("runs/VG-4", dissolve(2, "20.6 g"))
