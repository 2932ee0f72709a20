"""The small book of the examples with a shop: what its route takes, and runs of either step."""

from __future__ import annotations

from typing import Any

from tests.answer.desk import Desk
from tests.store.book import CARBONATE_RUN, altered


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
