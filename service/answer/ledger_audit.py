"""What must be so in every book, asked of the tables as they stand: each breach in a sentence, none in a sound book.

A lot's balance is the sum of its lines, and the lots below zero are exactly those that findings name. What every run
took in is what it gave and what is unaccounted for, in whole nanograms of the ledger's lines, and as its outcome, which
is reckoned from the record by itself, has it. What came into the books is where it went, to the last millionth.
"""

from __future__ import annotations

import datetime as dt
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import Any, Final

from service.answer.book import Book
from service.answer.ledger_balance import balance_of
from service.answer.stock_findings import overdrawn_lots
from service.domain.lot import Strength
from service.domain.material import Material
from service.domain.run import CO_PRODUCT, OPEN, PRODUCT, RECOVERED, WASTE, Run
from service.domain.shelf_amount import UNITS_PER_BASE, base_in_dimension, in_units
from service.errors import NotComputable
from service.store.balances import balances
from service.store.entries import Entry, of_lots, of_sources
from service.store.outcomes import stored_outcomes
from service.store.shelf import StoredLot, stored_lots

END: Final = dt.date(9999, 12, 31)
_NEAR_NG: Final = 5_000
"""A line is rounded to the nanolitre: half of one, of something up to ten times as dense as water."""
_NEAR: Final = 1e-9
"""Figures of an outcome are binary numbers of 53 bits."""


@dataclass(frozen=True, slots=True)
class RunBalance:
    """What one run took in and gave, in ng; what it gave by role, and the rest, which nobody weighed out."""

    run: str
    taken_ng: int
    given_ng: Mapping[str, int]

    @property
    def unaccounted_ng(self) -> int:
        """What went in and did not come out by any role; below zero where more came out."""
        return self.taken_ng - sum(self.given_ng.values())


def audit_of(book: Book) -> list[str]:
    """Return what is not as it must be in a workshop's books, a sentence each."""
    return [*_balances(book), *_runs(book), *_money(book)]


def run_balances(book: Book) -> dict[str, RunBalance]:
    """Return the balance of every run of which the mass of all that it took and gave is known, from its lines."""
    return {run: found for run, (found, _) in _balanced(book).items() if found is not None}


def _balances(book: Book) -> Iterator[str]:
    """The balance of every lot, summed anew line by line."""
    left: Counter[str] = Counter()
    for line in of_lots(book.reading):
        left[line.lot or ""] += line.quantity or 0
    for lot, balance in balances(book.reading).items():
        if balance.quantity != left[lot]:
            yield f"lot {lot} is told to hold {balance.quantity}, and its lines come to {left[lot]}"
    below = {lot for lot, quantity in left.items() if quantity < 0}
    found = [each.record for each in overdrawn_lots(book)]
    for lot in sorted(below.symmetric_difference(found)):
        yield f"lot {lot} is " + ("overdrawn, and no finding says so" if lot in below else "found to be overdrawn")
    if len(found) != len(set(found)):
        yield "a lot is found to be overdrawn more than once"


def _runs(book: Book) -> Iterator[str]:
    """The balance of every run beside what its outcome says went in and came out."""
    outcomes = stored_outcomes(book.reading)
    for code, (balance, lines) in _balanced(book).items():
        detail, closed = outcomes[code].detail, outcomes[code].row["mass_balance"]
        known = [_ng(each["gross_g"]) for each in detail["charges"]]
        yield from _differing(code, "charge", known, lines["charge"])
        yield from _differing(code, "outturn", [_ng(each["net_g"]) for each in detail["outturns"]], lines["outturn"])
        if balance is None or closed is None:
            continue
        rest = (1.0 - closed) * balance.taken_ng
        near = _NEAR_NG * (len(lines["charge"]) + len(lines["outturn"])) + _NEAR * balance.taken_ng
        if abs(rest - balance.unaccounted_ng) > near:
            yield f"run {code} leaves {balance.unaccounted_ng} ng unaccounted for, and by its outcome {rest:.0f}"


def _differing(run: str, kind: str, told: Sequence[float | None], lines: Sequence[int | None]) -> Iterator[str]:
    """What an outcome and the lines have otherwise; what the outcome cannot weigh, it leaves out or has as None."""
    if len(told) == len(lines):
        for i, (one, other) in enumerate(zip(told, lines, strict=True)):
            if one is not None and other is not None and abs(one - other) > _NEAR_NG + _NEAR * other:
                yield f"{kind} {i} of run {run} is {other} ng by its line, and {one:.0f} by its outcome"
    elif all(other is not None for other in lines):
        yield f"run {run} has {len(lines)} lines of {kind}s, and its outcome {len(told)}"


def _balanced(book: Book) -> dict[str, tuple[RunBalance | None, Mapping[str, list[int | None]]]]:
    """The balance of every run, None where a mass is not known, with the masses of its lines in the order written."""
    lines: dict[str, list[Entry]] = defaultdict(list)
    for line in of_sources(book.reading, "runs"):
        lines[line.source_code].append(line)
    lots = stored_lots(book.reading)
    runs: dict[str, Run] = book.records("runs")
    materials = book.materials(line.material for several in lines.values() for line in several if line.material)
    found: dict[str, tuple[RunBalance | None, Mapping[str, list[int | None]]]] = {}
    for code, run in runs.items():
        weighed: dict[str, list[int | None]] = {"charge": [], "outturn": []}
        given = dict.fromkeys((PRODUCT, CO_PRODUCT, RECOVERED, WASTE), 0)
        for line in sorted(lines[code], key=lambda line: line.line):
            if line.kind in weighed:
                weighed[line.kind].append(_mass_ng(line, run, lots, materials))
                if line.kind == "outturn":
                    given[line.role or PRODUCT] += weighed["outturn"][-1] or 0
        masses = [*weighed["charge"], *weighed["outturn"]]
        balance = RunBalance(code, sum(ng or 0 for ng in weighed["charge"]), given)
        whole = None not in masses and run.status != OPEN
        found[code] = (balance if whole else None, weighed)
    return found


def _mass_ng(line: Entry, run: Run, lots: Mapping[str, StoredLot], materials: Mapping[str, Material]) -> int | None:
    """The mass of a line, above zero as it was weighed."""
    if line.quantity is None or line.material is None:
        return None
    stated = (run.charges if line.kind == "charge" else run.outturns)[line.line].strength
    of: Strength = stated if line.lot is None or line.lot not in lots else stated.over(lots[line.lot].lot.strength)
    material = materials[line.material]
    base = Fraction(abs(line.quantity), UNITS_PER_BASE[line.dimension])
    grams = base_in_dimension(base, line.dimension, "mass", of, material, materials.get(material.analyte_code))
    return None if isinstance(grams, str) else in_units(grams, "mass")


def _ng(grams: float | None) -> float | None:
    return None if grams is None else grams * UNITS_PER_BASE["mass"]


def _money(book: Book) -> Iterator[str]:
    """What came in and where it went, on the last of all days."""
    try:
        told: dict[str, Any] = balance_of(book, as_of=END)
    except NotComputable as error:
        yield f"the ledger cannot be traced: {error}"
        return
    if float(told["difference"]["amount"]):
        yield f"what came in and where it went differ by {told['difference']['amount']} {told['currency']}"
    for each in told["breaches"]:
        yield f"{each['of']} {each['code']} takes in more or less than it gives: {each['difference']}"
