"""What should be left of every lot: opening amounts less what was charged and pooled, plus what came out.

Counted in exact fractions of the lot's own unit, straight from the text of the records and by no code of the service.
Read from the text: numbers with the units that the demo and the generated books use.
"""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import Any

UNITS = {
    "g": ("g", Fraction(1)),
    "mg": ("g", Fraction(1, 1000)),
    "kg": ("g", Fraction(1000)),
    "mL": ("mL", Fraction(1)),
    "L": ("mL", Fraction(1000)),
    "mol": ("mol", Fraction(1)),
}
Amount = tuple[str, Fraction]


def amount_of(text: str) -> Amount:
    """Unit (g, mL or mol) and exact amount of a text such as ``12.35 g``."""
    number, unit = text.split()
    base, factor = UNITS[unit]
    return base, Fraction(number) * factor


def net_of(outturn: dict[str, Any]) -> Fraction:
    """Exact net grams of an outturn: as stated, or every gross less the one tare."""
    if "net" in outturn:
        return amount_of(outturn["net"])[1]
    gross = outturn["gross"] if isinstance(outturn["gross"], list) else [outturn["gross"]]
    return sum((amount_of(text)[1] for text in gross), Fraction(0)) - len(gross) * amount_of(outturn["tare"])[1]


def balances(lines: Iterable[dict[str, Any]]) -> dict[str, Amount]:
    """Unit and amount left of every lot; a lot in mL gives g by its own density."""
    lines = list(lines)
    left: dict[str, Amount] = {}
    density: dict[str, Fraction] = {}
    for line in lines:
        record = line["record"]
        if line["kind"] == "lot":
            left[line["code"]] = amount_of(record["amount"])
            if "density" in record:
                density[line["code"]] = Fraction(record["density"].split()[0])
        elif line["kind"] == "pool":
            left[record["lot"]] = ("g", sum((amount_of(part["amount"])[1] for part in record["from"]), Fraction(0)))
        elif line["kind"] == "run":
            left |= {out["lot"]: ("g", net_of(out)) for out in record.get("outturns", ()) if "lot" in out}
    for line in lines:
        for taken in [*line["record"].get("charges", ()), *line["record"].get("from", ())]:
            if lot := taken.get("lot"):
                unit, amount = amount_of(taken["amount"])
                own, before = left[lot]
                if (unit, own) == ("g", "mL"):
                    amount /= density[lot]
                elif (unit, own) == ("mL", "g"):
                    amount *= density[lot]
                elif unit != own:
                    raise ValueError(f"{taken['amount']} taken from {lot}, which is in {own}")
                left[lot] = own, before - amount
    return left


def used_too_early(lines: Iterable[dict[str, Any]]) -> list[str]:
    """Say which charge or pool takes from a lot on a day before the lot was received, weighed out or pooled."""
    lines = list(lines)
    there: dict[str, str] = {}
    for line in lines:
        record = line["record"]
        if line["kind"] == "lot":
            there[line["code"]] = record["received_on"]
        elif line["kind"] == "pool":
            there[record["lot"]] = record["made_on"]
        elif line["kind"] == "run":
            there |= {out["lot"]: record["finished_on"] for out in record.get("outturns", ()) if "lot" in out}
    return [
        f"{line['code']} takes from {taken['lot']}"
        for line in lines
        for taken in [*line["record"].get("charges", ()), *line["record"].get("from", ())]
        if "lot" in taken and there[taken["lot"]] > (line["record"].get("started_on") or line["record"]["made_on"])
    ]
