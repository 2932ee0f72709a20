"""Lines of the ledger turned into its events: what each took, made and paid beside that, in one currency, as columns.

A run is one event, and so is a pool; a lot of its own record, a line of a purchase and a line of the stock's entries
are one each. What is put on no lot is taken to have been handed over with its run: product, and what states a share or
a credit of its own, goes to a lot without a place on the shelf and is delivered the same day; the rest carries nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Collection, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from functools import lru_cache
from typing import Final, NamedTuple

from service.analytics.money.ledger import Kind
from service.analytics.money.ledger_order import BEFORE_ALL, NEVER
from service.answer.ledger_money import NO_DAY, LedgerMoney, Unpriced
from service.answer.run_direct import Direct, credited, goes_by_offers, paid_beside_lots
from service.answer.run_shares import Out, shares_of_run
from service.domain.run import ABANDONED, FAILED, FINISHED, OPEN, PRODUCT
from service.store.ledger_lines import Line, LotRow, RunRow, Source, Taken
from service.store.ledger_rows import LedgerRows, WholeLedger

_STATUS: Final = {FINISHED: Kind.FINISHED, FAILED: Kind.FAILED, ABANDONED: Kind.ABANDONED, OPEN: Kind.OPEN}
_ENTRY: Final = {
    "delivery": Kind.DELIVERY,
    "sample": Kind.SAMPLE,
    "recount": Kind.RECOUNT,
    "write-off": Kind.WRITE_OFF,
    "disposal": Kind.DISPOSAL,
}
_ONE_EVENT: Final = ("lots", "runs", "pools")
_NOT_TOLD: Final = "how much was taken of it cannot be told"

BY_EVENT: Final = ("kind", "begun", "ended", "cost", "whole", "step")
BY_LOT: Final = ("made_by", "quantity", "weight", "credit", "product")


class Facts(NamedTuple):
    """What is said of an event beside its numbers; ``shared_by``: lots and the rule by which they carry its cost."""

    source_kind: str
    source_code: str
    route: str | None = None
    step: str | None = None
    project: str | None = None
    operator: str | None = None
    direct: tuple[Direct, ...] = ()
    not_counted: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()
    shared_by: tuple[tuple[str, str], ...] = ()


@dataclass(frozen=True, slots=True)
class Events:
    """Events as lists that grow together: by event, numbered as they came, ``keys``, ``facts`` and the ``numbers`` of
    ``BY_EVENT``; by lot ``lots``, ``rows`` and those of ``BY_LOT``; by take, in the order of its events, ``taken``,
    the code of the lot, and ``take_event`` and ``take_quantity``.

    ``steps`` numbers the steps; ``unpriced`` says by key which names in an event have no known cost, ``reasons`` why.
    """

    keys: list[str] = field(default_factory=list)
    facts: list[Facts] = field(default_factory=list)
    lots: list[str] = field(default_factory=list)
    rows: list[LotRow] = field(default_factory=list)
    taken: list[str] = field(default_factory=list)
    numbers: dict[str, list[int]] = field(
        default_factory=lambda: {name: [] for name in (*BY_EVENT, *BY_LOT, "take_event", "take_quantity")}
    )
    steps: dict[str, int] = field(default_factory=dict)
    unpriced: dict[str, tuple[str, ...]] = field(default_factory=dict)
    reasons: dict[str, str] = field(default_factory=dict)


def source_key(kind: str, code: str) -> str:
    """Return what the event of a record is called; events of its lines add a slash and a number.

    >>> source_key("runs", "VG-031")
    'runs/VG-031'
    """
    return f"{kind}/{code}"


def on_shelf(row: LotRow) -> bool:
    """Say whether a lot has a place on the shelf; what was handed over with its run has none, and no code that a
    record could have.

    >>> on_shelf(LotRow("VG-031/0", "varnish", "mass", "{}", None, None, None, "made", "runs", "VG-031", None))
    False
    """
    return "/" not in row.code


class EventBuilder:
    """Builds the events of ``rows``; ``days_of`` says from which day on lots were there that an undated run takes from
    and that are not among the rows, where one is known. ``steps`` are those that have their numbers."""

    def __init__(
        self,
        rows: LedgerRows | WholeLedger,
        money: LedgerMoney,
        days_of: Callable[[Collection[str]], Mapping[str, str]],
        *,
        labour: bool,
        steps: Sequence[str] = (),
    ) -> None:
        self._lines: Iterable[tuple[Source, Sequence[Line]]] = (
            rows.lines if isinstance(rows, WholeLedger) else rows.lines.items()
        )
        self._money, self._days_of, self._labour = money, days_of, labour
        if isinstance(rows, LedgerRows):
            several = (line for lines in rows.lines.values() for line in lines)
            money.prepare({line.material for line in several if goes_by_offers(line)})
        self._lots = {lot.code: lot for lot in rows.lots}
        self._runs = {run.run: run for run in rows.runs}
        self._told = Events(steps={step: number for number, step in enumerate(steps)})

    def told(self, takes: Iterable[Taken] = ()) -> Events:
        """Return every event; ``takes`` are those of sources that are not among the rows, of which no more is told."""
        for (kind, code), lines in self._lines:
            if kind == "runs":
                # A run of nothing but what was not weighed has no lines, and no cost that anything tells of.
                if code in self._runs:
                    self._run(self._runs[code], lines)
            elif kind == "pools":
                self._pool(code, lines)
            else:
                for place, line in enumerate(lines):
                    self._entry(kind, code, place, line)
        self._others(takes)
        return self._told

    def _others(self, takes: Iterable[Taken]) -> None:
        """Let in what others took; there may be more of it than of all else, so that it goes by whole lists."""
        told, first, of_source = self._told, len(self._told.keys), dict[Source, int]()
        days = []
        for lot, kind, code, on, quantity in takes:
            if quantity:
                if (source := (kind, code)) not in of_source:
                    of_source[source] = first + len(of_source)
                    days.append(_ordinal(on))
                told.numbers["take_event"].append(of_source[source])
                told.numbers["take_quantity"].append(-quantity)
                told.taken.append(lot)
        count, numbers = len(days), told.numbers
        told.keys.extend([_line_key(kind, code, 0) for kind, code in of_source])
        told.facts.extend([Facts(kind, code) for kind, code in of_source])
        numbers["begun"].extend(days)
        numbers["ended"].extend(days)
        for name, value in (("kind", int(Kind.DELIVERY)), ("cost", 0), ("whole", 0), ("step", -1)):
            numbers[name].extend([value] * count)

    # ---- one source

    def _entry(self, kind: str, code: str, place: int, line: Line) -> None:
        assert line.lot is not None, "only runs have lines without a lot"
        key = _line_key(kind, code, place)
        day, facts = _ordinal(line.on), Facts(kind, code)
        if line.kind not in ("opening", "purchase"):
            took = [(line.lot, None if line.quantity is None else -line.quantity)]
            self._event(key, facts, _ENTRY[line.kind], day, day, 0, 0, took)
            return
        lot = self._lots[line.lot]
        what = Kind.PURCHASE if line.kind == "purchase" or lot.origin == "bought" else Kind.OPENING
        cost: int | Unpriced = Unpriced(line.lot, "nobody said what it is worth")
        if line.price_micro is not None and line.currency is not None:
            cost = self._money.converted(line.price_micro, line.currency, _day(line.on) or NO_DAY)
        if isinstance(cost, Unpriced):
            self._event(key, facts, what, day, day, 0, 1, unpriced=(cost,))
        else:
            self._event(key, facts, what, day, day, cost, 1)
        self._make(lot, line.quantity)

    def _pool(self, code: str, lines: Sequence[Line]) -> None:
        (out,) = (line for line in lines if line.kind == "pool-out")
        assert out.lot is not None, "a pool makes a lot"
        day = _ordinal(out.on)
        takes = _taken(lines, "pool-in")
        self._event(source_key("pools", code), Facts("pools", code), Kind.POOL, day, day, 0, 1, takes)
        self._make(self._lots[out.lot], out.quantity)

    def _run(self, run: RunRow, lines: Sequence[Line]) -> None:
        key, status = source_key("runs", run.run), _STATUS[run.status]
        begun, ended = run.started_on or run.finished_on, run.finished_on or run.started_on
        takes = _taken(lines, "charge")
        outs = [Out(line, self._lots.get(line.lot or ""), self._money) for line in lines if line.kind == "outturn"]
        day = _day(begun) or self._day_of_lots(takes)
        direct, unpriced, not_counted = paid_beside_lots(
            run, lines, self._lots, day, self._money, labour=self._labour
        )
        day_made = _day(ended) or day
        credits = [0 if out.line.credit_micro is None else credited(out.line, day_made, self._money) for out in outs]
        unpriced += [credit for credit in credits if isinstance(credit, Unpriced)]
        shares, shared_by, without_value, said = shares_of_run(
            run, outs, [0 if isinstance(credit, Unpriced) else credit for credit in credits],
            finished=status is Kind.FINISHED, money=self._money, day=day_made,
        )  # fmt: skip
        unpriced += without_value
        if status is Kind.FINISHED and not any(shares.weights):
            status, said = Kind.FAILED, ("it gave nothing that carries its cost, which counts as a failure",)
        made = [
            (out, out.lot or _made_up(run, place, out.line), place)
            for place, out in enumerate(outs)
            if out.lot is not None or shares.weights[place] or shares.credits[place]
        ]
        facts = Facts(
            "runs", run.run, run.route, run.step, run.project, run.operator, tuple(direct), tuple(not_counted),
            tuple([f"{run.run}: {note}" for note in said]) if said else (),
            tuple([(row.code, rule) for _, row, place in made if (rule := shared_by[place]) is not None]),
        )  # fmt: skip
        first, last = _ordinal(begun), NEVER if status is Kind.OPEN else _ordinal(ended or begun)
        cost = sum([each.micro or 0 for each in direct]) if direct else 0
        step = self._told.steps.setdefault(f"{run.route}/{run.step}", len(self._told.steps))
        self._event(key, facts, status, first, last, cost, shares.whole, takes, unpriced, step)
        handed_over: list[tuple[str, int | None]] = []
        for out, row, place in made:
            product = out.spread_by(run, outs) if out.line.role == PRODUCT else 0
            self._make(row, out.line.quantity, shares.weights[place], shares.credits[place], product)
            if out.lot is None:
                handed_over.append((row.code, out.line.quantity))
        if handed_over:
            said_of_it = facts._replace(direct=(), not_counted=(), notes=())
            gone = _ordinal(ended)
            self._event(f"{key}/handed-over", said_of_it, Kind.DELIVERY, gone, gone, 0, 0, handed_over)

    def _day_of_lots(self, takes: Iterable[tuple[str, int | None]]) -> dt.date:
        """The day on which a run that nobody dated counts: the latest of the lots that it takes from."""
        codes = {lot for lot, _ in takes}
        days = [self._lots[code].received_on for code in codes if code in self._lots]
        if elsewhere := codes - self._lots.keys():
            days += self._days_of(elsewhere).values()
        return max((dt.date.fromisoformat(day) for day in days if day is not None), default=NO_DAY)

    # ---- what an event is

    def _event(
        self,
        key: str,
        facts: Facts,
        kind: Kind,
        begun: int,
        ended: int,
        cost: int,
        whole: int,
        takes: Sequence[tuple[str, int | None]] = (),
        unpriced: Sequence[Unpriced] = (),
        step: int = -1,
    ) -> None:
        told, number = self._told, len(self._told.keys)
        told.keys.append(key)
        told.facts.append(facts)
        numbers = told.numbers
        numbers["kind"].append(int(kind))  # of which numpy makes an array sooner
        numbers["begun"].append(begun)
        numbers["ended"].append(ended)
        numbers["cost"].append(cost)
        numbers["whole"].append(whole)
        numbers["step"].append(step)
        untold: list[str] = []
        if takes:
            quantities = [quantity for _, quantity in takes]
            if None in quantities:
                untold = [lot for lot, quantity in takes if quantity is None]
            told.taken.extend([lot for lot, _ in takes])
            numbers["take_event"].extend([number] * len(takes))
            numbers["take_quantity"].extend([quantity or 0 for quantity in quantities])
        if unpriced or untold:
            told.unpriced[key] = tuple(dict.fromkeys([*(each.name for each in unpriced), *untold]))
            told.reasons.update(dict.fromkeys(untold, _NOT_TOLD))
            told.reasons.update({each.name: each.reason for each in unpriced})

    def _make(self, row: LotRow, quantity: int | None, weight: int = 1, credit: int = 0, product: int = 0) -> None:
        told, numbers = self._told, self._told.numbers
        told.lots.append(row.code)
        told.rows.append(row)
        numbers["made_by"].append(len(told.keys) - 1)
        numbers["quantity"].append(quantity or 0)
        numbers["weight"].append(weight)
        numbers["credit"].append(credit)
        numbers["product"].append(product)


def _made_up(run: RunRow, place: int, line: Line) -> LotRow:
    assert line.material is not None, "an outturn is of a material"
    return LotRow(
        f"{run.run}/{place}", line.material, line.dimension, "{}", run.project, run.finished_on or run.started_on,
        None, "made", "runs", run.run, line.quantity,
    )  # fmt: skip


def _taken(lines: Sequence[Line], kind: str) -> list[tuple[str, int | None]]:
    return [
        (line.lot, None if line.quantity is None else -line.quantity)
        for line in lines
        if line.kind == kind and line.lot is not None
    ]


def _line_key(kind: str, code: str, place: int) -> str:
    """What the event of a line is called: a lot's own has but one, and runs and pools are one whatever their lines."""
    key = source_key(kind, code)
    return key if kind in _ONE_EVENT else f"{key}/{place:04}"


@lru_cache(maxsize=4096)
def _day(text: str | None) -> dt.date | None:
    return None if text is None else dt.date.fromisoformat(text)


@lru_cache(maxsize=4096)
def _ordinal(text: str | None) -> int:
    return BEFORE_ALL if text is None else dt.date.fromisoformat(text).toordinal()
