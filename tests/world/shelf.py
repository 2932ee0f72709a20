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
    packs = {line["code"]: line["record"] for line in lines if line["kind"] == "offer"}
    for line in lines:
        record = line["record"]
        if line["kind"] == "lot":
            left[line["code"]] = amount_of(record["amount"])
            if "density" in record:
                density[line["code"]] = Fraction(record["density"].split()[0])
        elif line["kind"] == "purchase":
            left |= {row["lot"]: _bought(row, packs) for row in record["lines"]}
            density |= {
                row["lot"]: Fraction(stated["density"].split()[0])
                for row in record["lines"]
                if "density" in (stated := packs.get(row.get("offer"), {}) | row)
            }
        elif line["kind"] == "pool":
            left[record["lot"]] = ("g", sum((amount_of(part["amount"])[1] for part in record["from"]), Fraction(0)))
        elif line["kind"] == "run":
            left |= {out["lot"]: ("g", net_of(out)) for out in record.get("outturns", ()) if "lot" in out}
    for line in lines:
        for taken in _takes(line, lines):
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
    for line in lines:
        record = line["record"]
        if record.get("kind") == "recount":
            later = [other for other in lines if _takes_from(other, record["lot"], record["on"])]
            assert not later, f"{record['lot']} is taken from after it was counted, which this does not follow"
            left[record["lot"]] = amount_of(record["amount"])
    return left


def _bought(row: dict[str, Any], packs: dict[str, dict[str, Any]]) -> Amount:
    if "offer" not in row:
        return amount_of(row["amount"])
    unit, amount = amount_of(packs[row["offer"]]["pack"])
    return unit, amount * row.get("packs", 1)


def _takes(line: dict[str, Any], lines: list[dict[str, Any]]) -> list[dict[str, Any]]:
    """What a line takes from lots; an entry that another takes back takes nothing, and neither does the other."""
    record = line["record"]
    if line["kind"] == "stock-entry":
        taken_back = {other["record"].get("reverses") for other in lines}
        counts = (
            record.get("kind") in ("delivery", "sample", "write-off", "disposal") and line["code"] not in taken_back
        )
        return [record] if counts else []
    return [*record.get("charges", ()), *record.get("from", ())]


def _takes_from(line: dict[str, Any], lot: str, after: str) -> bool:
    record = line["record"]
    return _day(record) > after and any(taken.get("lot") == lot for taken in _takes(line, []))


def used_too_early(lines: Iterable[dict[str, Any]]) -> list[str]:
    """Say which charge or pool takes from a lot on a day before the lot was received, weighed out or pooled."""
    lines = list(lines)
    there: dict[str, str] = {}
    for line in lines:
        record = line["record"]
        if line["kind"] == "lot":
            there[line["code"]] = record["received_on"]
        elif line["kind"] == "purchase":
            there |= {row["lot"]: record.get("received_on") or record["bought_on"] for row in record["lines"]}
        elif line["kind"] == "pool":
            there[record["lot"]] = record["made_on"]
        elif line["kind"] == "run":
            there |= {out["lot"]: record["finished_on"] for out in record.get("outturns", ()) if "lot" in out}
    return [
        f"{line['code']} takes from {taken['lot']}"
        for line in lines
        for taken in _takes(line, [])
        if "lot" in taken and there[taken["lot"]] > _day(line["record"])
    ]


def _day(record: dict[str, Any]) -> str:
    return str(record.get("started_on") or record.get("made_on") or record.get("on") or "")
