"""Weighings in a table, a row for each charge and each outturn, read into runs.

What a run has once (its step, days, operator, status, note) may stand in any of its rows: cells that are filled agree,
an empty one says nothing. A charge (``in``) has its amount. An outturn (``out``) has its net weight under ``amount``,
or ``gross`` and ``tare``. Rows that take out the same lot are portions of one outturn, weighed gross one after another
on one tare; without a lot, each row is an outturn of its own. A row of the sheet in which nothing was filled in is
passed over and counted.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field, replace
from typing import Any, Final

from service.errors import Fault, InvalidInput, TooLarge
from service.record.import_text import MOST_FAULTS_LOOKED_FOR, MOST_RECORDS, ImportLine, ImportText
from service.record.sheet import Row, read_sheet
from service.schemas.received import shown
from service.schemas.weighing_table import COLUMNS, IN, NEEDED, OF_THE_RUN, OUT, PREFILLED

_OF_A_CHARGE: Final = ("material", "lot", "amount", "loss_on_drying", "assay", "price")
_OF_AN_OUTTURN: Final = ("role", "material", "lot", "amount", "gross", "tare", "loss_on_drying", "assay")
_OF_A_PORTION: Final = ("role", "material", "tare", "loss_on_drying", "assay")
_PRICE: Final = re.compile(r"(?P<amount>[^\sA-Za-z]+)\s*(?P<currency>[A-Za-z]+)\s*(?:/|\bper\b)\s*(?P<per>\S.*)")
_PRICES: Final = "3.50 EUR per 1 kg or 3.50 EUR/kg"


def read_weighings(payload: bytes) -> ImportText:
    """Read a table of weighings as CSV: the runs in it, in the order in which they first appear.

    Raises as :func:`service.record.sheet.read_sheet` does, and :class:`InvalidInput` where nothing is filled in.
    """
    rows, misfits = read_sheet(payload, COLUMNS, NEEDED)
    filled = [row for row in rows if any(name not in PREFILLED for name in row.cells)]
    if not filled:
        detail = "no row of the table is filled in: a weighing has a run, a status and an amount"
        raise InvalidInput([*misfits, Fault("empty", detail, expected="rows with a run and an amount", line=1)])
    of_row: dict[int | None, list[Fault]] = {}
    for fault in misfits:
        of_row.setdefault(fault.line, []).append(fault)
    runs: dict[str, _Rows] = {}
    homeless: list[Fault] = []
    count = 0
    for row in filled:
        run, faults = row.cells.get("run"), of_row.get(row.line, [])
        if run is None:
            faults = [*faults, _fault(row, "run", "missing", "the row names no run", "the code of the run")]
            homeless += faults
        else:
            of_run = runs.setdefault(run, _Rows(run, row.line))
            faults = faults or [*of_run.add(row)]
            of_run.faults += faults
        count += len(faults)
        if count > MOST_FAULTS_LOOKED_FOR:
            break
    if len(runs) > MOST_RECORDS:
        detail = f"the table holds {len(runs)} runs, and at most {MOST_RECORDS} are taken at once: cut it in two"
        raise TooLarge(detail, extra={"limit_records": MOST_RECORDS})
    counts = {"rows": len(filled), "rows_not_filled_in": len(rows) - len(filled)}
    return ImportText([run.import_line() for run in runs.values()], homeless, counts=counts)


@dataclass(slots=True)
class _Weighed:
    """One charge or outturn: its body, and the rows that it stands in, several for portions."""

    body: dict[str, Any]
    lines: list[int]


@dataclass(slots=True)
class _Rows:
    """The rows of one run, put together; the faults that come up on the way."""

    code: str
    line: int
    own: dict[str, tuple[str, int]] = field(default_factory=dict)
    charges: list[_Weighed] = field(default_factory=list)
    outturns: list[_Weighed] = field(default_factory=list)
    by_lot: dict[str, _Weighed] = field(default_factory=dict)
    faults: list[Fault] = field(default_factory=list)

    def add(self, row: Row) -> Iterator[Fault]:
        """Take one row in, and yield what is wrong with it."""
        for name in OF_THE_RUN:
            if (value := row.cells.get(name)) is not None:
                told, line = self.own.setdefault(name, (value, row.line))
                yield from self._agree(row, name, told, line)
        direction = row.cells.get("direction")
        if direction == IN:
            yield from _refuse_cells(row, ("role", "gross", "tare"), "is of what comes out; a charge has its amount")
            self.charges.append(
                _Weighed({name: row.cells[name] for name in _OF_A_CHARGE if name in row.cells}, [row.line])
            )
            yield from _take_price_apart(row, self.charges[-1].body)
        elif direction == OUT:
            yield from _refuse_cells(row, ("price",), "is of what goes in")
            yield from self._add_outturn(row)
        else:
            detail = "in is a charge, out an outturn" if direction else "in or out is missing"
            yield _fault(row, "direction", "unknown-word", f"direction: {detail}", "in or out")

    def import_line(self) -> ImportLine:
        """Return the run as a line of the import."""
        body: dict[str, Any] = {name: value for name, (value, _) in self.own.items()}
        body["charges"] = [charge.body for charge in self.charges]
        if self.outturns:
            body["outturns"] = [outturn.body for outturn in self.outturns]
        place = SheetPlace(
            self.line,
            {name: line for name, (_, line) in self.own.items()},
            {"charges": [each.lines for each in self.charges], "outturns": [each.lines for each in self.outturns]},
            whole=not self.faults,
        )
        return ImportLine("runs", self.code, body, place, tuple(self.faults))

    def _add_outturn(self, row: Row) -> Iterator[Fault]:
        lot = row.cells.get("lot", "")
        known = self.by_lot.get(lot)
        body: dict[str, Any] = {name: row.cells[name] for name in _OF_AN_OUTTURN if name in row.cells}
        if "amount" in body:
            body["net"] = body.pop("amount")
        if known is None:
            self.outturns.append(_Weighed(body, [row.line]))
            if lot:
                self.by_lot[lot] = self.outturns[-1]
        elif "gross" not in known.body or "gross" not in body or "net" in body:
            detail = (
                f"lot {shown(lot)} is taken out in line {known.lines[0]} too: portions of one lot are each weighed "
                "gross on one tare; else write their sum in one row, or give each a lot of its own"
            )
            yield _fault(row, "lot", "not-portions", detail, "gross and tare in each row of the lot")
        else:
            for name in _OF_A_PORTION:
                if (value := body.get(name)) is not None:
                    yield from self._agree(row, name, known.body.setdefault(name, value), known.lines[0])
            if len(known.lines) == 1:
                known.body["gross"] = [known.body["gross"]]
            known.body["gross"].append(body["gross"])
            known.lines.append(row.line)

    def _agree(self, row: Row, name: str, told: str, line: int) -> Iterator[Fault]:
        if row.cells[name] != told:
            detail = (
                f"run {shown(self.code)} has the {name} {shown(told)!r} in line {line} and {shown(row.cells[name])!r} "
                "here: the rows agree, or one says it"
            )
            yield _fault(row, name, "rows-disagree", detail, told)


@dataclass(frozen=True, slots=True)
class SheetPlace:
    """The rows of one run: the line of the first, of each cell that the run has once, of each charge and outturn.

    ``whole`` is false where a row could not be taken in, so that nothing can be said of what the run lacks.
    """

    line: int
    own: dict[str, int]
    weighed: dict[str, list[list[int]]]
    whole: bool

    def placed(self, faults: Iterable[Fault]) -> list[Fault]:
        """Give each fault the line and the column of the cell that it is about."""
        return [self._placed(fault) for fault in faults if self.whole or not self._lacks(fault)]

    def _lacks(self, fault: Fault) -> bool:
        """Say whether a fault is that something is not there which a refused row may hold."""
        return fault.code in ("missing", "too-few") and (fault.pointer or "").count("/") == 1

    def _placed(self, fault: Fault) -> Fault:
        key, *rest = (fault.pointer or "").split("/")[1:] or [""]
        line, column = self.own.get(key, self.line), key if key in COLUMNS else "run"
        if key in self.weighed:
            column = "direction"
            if rest and int(rest[0]) < len(self.weighed[key]):
                lines = self.weighed[key][int(rest[0])]
                # A charge as a whole is wrong where it is of nothing, an outturn where nothing was weighed.
                name = rest[1] if len(rest) > 1 else "lot" if key == "charges" else "amount"
                portion = int(rest[2]) if name == "gross" and len(rest) > 2 else 0
                line, column = lines[portion], name if name in COLUMNS else "amount"
        return replace(fault, pointer=None, parameter=None, line=line, column=column)

    def as_dict(self) -> dict[str, Any]:
        """Return the line of the run's first row."""
        return {"line": self.line}


def _take_price_apart(row: Row, body: dict[str, Any]) -> Iterator[Fault]:
    """Write a price as the record has it. What its parts hold is the schema's to judge."""
    written = body.pop("price", None)
    if written is None:
        return
    if match := _PRICE.fullmatch(written):
        per = match["per"] if match["per"][0] in "0123456789." else f"1 {match['per']}"
        body["price"] = {"amount": match["amount"], "currency": match["currency"], "per": per}
    else:
        detail = f"{shown(written)!r} is no price for an amount: write {_PRICES}"
        yield _fault(row, "price", "not-a-price", detail, f"a price such as {_PRICES}")


def _refuse_cells(row: Row, names: Iterable[str], why: str) -> Iterator[Fault]:
    for name in names:
        if name in row.cells:
            detail = f"{name} {why}: empty the cell, or look at the direction"
            yield _fault(row, name, "not-with-direction", detail, "an empty cell")


def _fault(row: Row, column: str, code: str, detail: str, expected: str) -> Fault:
    return Fault(code, detail, shown(row.cells.get(column)), expected, line=row.line, column=column)
