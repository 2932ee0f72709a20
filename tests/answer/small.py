"""The small book of the examples with a shop: what its route takes, and runs of either step."""

from __future__ import annotations

from typing import Any

from tests.answer.desk import Desk
from tests.store.book import CARBONATE_RUN, ROUTE, altered


def eur(amount: str) -> dict[str, str]:
    return {"amount": amount, "currency": "EUR"}


def shop(desk: Desk, *left_out: str, currency: str = "EUR") -> None:
    """A supplier who sells what the oxide's route takes: vitriol 2 a 100 g at 98 %, soda ash 3 a kg, water free."""
    desk.put("suppliers", "corner", {"name": "corner shop"})
    for code, material, pack, price, assay in (
        ("vitriol-100g", "blue-vitriol", "100 g", "2", "0.98"),
        ("ash-1kg", "soda-ash", "1 kg", "3", None),
        ("tap", "water", "1 L", "0", None),
    ):
        if code not in left_out:
            body: dict[str, Any] = {"material": material, "supplier": "corner", "pack": pack}
            body |= {"price": {"amount": price, "currency": currency}} | ({"assay": assay} if assay else {})
            desk.put("offers", code, body)


def run(desk: Desk, code: str, *, shelved: bool = True, **changes: Any) -> None:
    """A run of the first step; what it makes is put on the shelf as a lot, unless ``shelved`` is false."""
    body = altered(CARBONATE_RUN, **changes)
    body["outturns"] = [{key: value for key, value in row.items() if key != "lot"} for row in body["outturns"]]
    if body["outturns"] and shelved:
        body["outturns"][0]["lot"] = f"{code}-lot"
    desk.put("runs", code, body)


def roast(desk: Desk, code: str, net: str = "6.50 g", finished_on: str | None = "2026-04-20") -> None:
    body = {
        "route": "oxide",
        "step": "roast",
        "status": "finished",
        "finished_on": finished_on,
        "charges": [{"material": "malachite", "amount": "10.00 g", "assay": "0.96"}],
        "outturns": [{"material": "copper-oxide", "lot": f"{code}-lot", "net": net}],
    }
    desk.put("runs", code, body)


VITRIOL_M, ASH_M, MALACHITE_M, OXIDE_M = 249.677, 105.988, 221.114, 79.545
"""g/mol from the standard atomic weights of 2021 (Prohaska et al., Pure Appl. Chem. 2022, 94, 573), to 1 in 10⁴."""

NETS = ("20.41 g", "19.02 g", "20.95 g", "18.44 g", "20.10 g")
OXIDES = ("6.50 g", "6.12 g", "6.30 g", "5.88 g", "6.61 g")


def five_runs(desk: Desk, *not_sold: str) -> Desk:
    """Five runs of either step, and a shop; what the first step made was used up."""
    desk.fill()
    shop(desk, *not_sold)
    for number, (net, oxide) in enumerate(zip(NETS, OXIDES, strict=True), start=1):
        run(desk, f"C-{number}", outturns=[{"material": "malachite", "net": net, "assay": "0.96"}], shelved=False)
        roast(desk, f"R-{number}", oxide)
    return desk


def ash_of_ones_own(desk: Desk) -> Desk:
    """The same where nobody sells the ash, which a route of its own makes from soda; four runs of that."""
    five_runs(desk, "ash-1kg")
    desk.put("materials", "soda", {"name": "soda crystals"})
    desk.put("offers", "soda-1kg", {"material": "soda", "supplier": "corner", "pack": "1 kg", "price": eur("2")})
    calcine = {"code": "calcine", "basis": "mass-ratio", "key_input": "soda", "product": "soda-ash"}
    calcine |= {"key_input_limits": {"largest": "100 g"}, "labour": "0.5 h"}
    desk.put("routes", "ash", {"name": "ash", "product": "soda-ash", "steps": [calcine]})
    for number, net in enumerate(("36.2 g", "35.1 g", "37.0 g", "36.5 g"), start=1):
        made: dict[str, Any] = {"route": "ash", "step": "calcine", "status": "finished", "finished_on": "2026-05-01"}
        made |= {"charges": [{"material": "soda", "amount": "100 g"}]}
        desk.put("runs", f"A-{number}", made | {"outturns": [{"material": "soda-ash", "net": net}]})
    return desk


def take_ash_from_its_route(desk: Desk) -> None:
    """The bill of the oxide's first step says which route makes its ash."""
    step = ROUTE["steps"][0]
    line = {**step["bill"][0], "from_route": "ash"}
    desk.put("routes", "oxide", altered(ROUTE, steps=[step | {"bill": [line, *step["bill"][1:]]}, ROUTE["steps"][1]]))
