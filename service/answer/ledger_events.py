"""Lines of the ledger turned into its events: what each took, made and paid beside that, in one currency.

A run is one event, and so is a pool; a lot of its own record, a line of a purchase and a line of the stock's entries
are one each. What is put on no lot is taken to have been handed over with its run: product, and what states a share or
a credit of its own, goes to a lot without a place on the shelf and is delivered the same day; the rest carries nothing.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Iterator, Mapping, Sequence
from itertools import groupby
from operator import attrgetter
from typing import Final, NamedTuple

from service.analytics.money.ledger import Event, Kind, Make, Take
from service.answer.ledger_money import NO_DAY, LedgerMoney, Unpriced
from service.answer.run_shares import Out, shares_of_run
from service.domain.lot import Strength
from service.domain.run import ABANDONED, CO_PRODUCT, FAILED, FINISHED, OPEN, PRODUCT, RECOVERED, WASTE
from service.store.ledger_lines import Line, LotRow, RunRow
from service.store.ledger_rows import LedgerRows
from service.store.strengths import strength_from

_STATUS: Final = {FINISHED: Kind.FINISHED, FAILED: Kind.FAILED, ABANDONED: Kind.ABANDONED, OPEN: Kind.OPEN}
_ENTRY: Final = {
    "opening": Kind.OPENING,
    "purchase": Kind.PURCHASE,
    "delivery": Kind.DELIVERY,
    "sample": Kind.SAMPLE,
    "recount": Kind.RECOUNT,
    "write-off": Kind.WRITE_OFF,
    "disposal": Kind.DISPOSAL,
}


class Direct(NamedTuple):
    """Something that a run used beside its lots: a charge without one, labour, energy, waste, consumables.

    ``quantity`` in ng, nL, nmol, ms or mJ by ``dimension``; ``micro`` is what it cost, None where that is not known or
    not counted.
    """

    of: str
    material: str | None
    dimension: str | None
    quantity: int | None
    micro: int | None


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


class Built(NamedTuple):
    """An event, what is said of it, the lots that it made, and why what is unpriced in it is."""

    event: Event
    facts: Facts
    lots: tuple[LotRow, ...] = ()
    unpriced: tuple[Unpriced, ...] = ()


def source_key(kind: str, code: str) -> str:
    """Return what the event of a record is called; events of its lines add a slash and a number.

    >>> source_key("runs", "VG-031")
    'runs/VG-031'
    """
    return f"{kind}/{code}"


class EventBuilder:
    """Builds the events of ``rows``; ``days`` are those of lots that undated runs take from, where known."""

    def __init__(
        self, rows: LedgerRows, money: LedgerMoney, *, labour: bool, days: Mapping[str, dt.date] | None = None
    ) -> None:
        self._rows, self._money, self._labour, self._days = rows, money, labour, days or {}
        self._lots = {lot.code: lot for lot in rows.lots}
        self._runs = {run.run: run for run in rows.runs}

    def built(self) -> Iterator[Built]:
        """Give every event, its lots with it."""
        bare = {line.material for line in self._rows.lines if line.kind == "charge" and line.price_micro is None
                and line.lot is None and line.material is not None}  # fmt: skip
        self._money.prepare(bare | {line.material for line in self._rows.lines if _asks_of_its_material(line)})
        for (kind, code), group in groupby(self._rows.lines, key=attrgetter("source")):
            lines = list(group)
            if kind == "runs":
                if code in self._runs:
                    yield from self._run(self._runs[code], lines)
            elif kind == "pools":
                yield self._pool(code, lines)
            else:
                yield from (self._entry(kind, code, place, line) for place, line in enumerate(lines))
        # A run of nothing but what was not weighed has no lines, and no cost that anything tells of.

    def _entry(self, kind: str, code: str, place: int, line: Line) -> Built:
        assert line.lot is not None, "only runs have lines without a lot"
        key = source_key(kind, code) if kind == "lots" else f"{source_key(kind, code)}/{place:04}"
        day, facts = _day(line.on), Facts(kind, code)
        if line.kind not in ("opening", "purchase"):
            quantity = None if line.quantity is None else -line.quantity
            return Built(Event(key, _ENTRY[line.kind], day, takes=(Take(line.lot, quantity),)), facts)
        lot = self._lots[line.lot]
        what = Kind.PURCHASE if line.kind == "purchase" or lot.origin == "bought" else Kind.OPENING
        cost: int | Unpriced = Unpriced(line.lot, "nobody said what it is worth")
        if line.price_micro is not None and line.currency is not None:
            cost = self._money.converted(line.price_micro, line.currency, day or NO_DAY)
        unpriced = (cost,) if isinstance(cost, Unpriced) else ()
        event = Event(
            key, what, day,
            cost_micro=0 if isinstance(cost, Unpriced) else cost,
            unpriced=tuple(each.name for each in unpriced),
            makes=(Make(line.lot, line.quantity),),
        )  # fmt: skip
        return Built(event, facts, (lot,), unpriced)

    def _pool(self, code: str, lines: Sequence[Line]) -> Built:
        (out,) = (line for line in lines if line.kind == "pool-out")
        assert out.lot is not None, "a pool makes a lot"
        event = Event(
            source_key("pools", code), Kind.POOL, _day(out.on), takes=_takes(lines, "pool-in"),
            makes=(Make(out.lot, out.quantity),),
        )  # fmt: skip
        return Built(event, Facts("pools", code), (self._lots[out.lot],))

    def _run(self, run: RunRow, lines: Sequence[Line]) -> Iterator[Built]:
        begun, ended = _day(run.started_on or run.finished_on), _day(run.finished_on or run.started_on)
        taken = [self._days[line.lot] for line in lines if line.lot is not None and line.lot in self._days]
        day = begun or max(taken, default=NO_DAY)
        direct, unpriced, not_counted = self._direct(run, lines, day)
        outs = [Out(line, self._lots.get(line.lot or ""), self._money) for line in lines if line.kind == "outturn"]
        credits = [self._credit(out.line, ended or day) for out in outs]
        unpriced += [credit for credit in credits if isinstance(credit, Unpriced)]
        status = _STATUS[run.status]
        shares, shared_by, without_value, said = shares_of_run(
            run, outs, [0 if isinstance(c, Unpriced) else c for c in credits],
            finished=status is Kind.FINISHED, money=self._money, day=ended or day,
        )  # fmt: skip
        unpriced += without_value
        if status is Kind.FINISHED and not any(shares.weights):
            status, said = Kind.FAILED, ("it gave nothing that carries its cost, which counts as a failure",)
        key = source_key("runs", run.run)
        makes, rows, rules, handed_over = [], [], [], []
        for place, (out, weight, credit) in enumerate(zip(outs, shares.weights, shares.credits, strict=True)):
            if out.lot is None and not (weight or credit):
                continue
            row = out.lot or _made_up(run, place, out.line)
            product = out.spread_by(run, outs) if out.line.role == PRODUCT else 0
            makes.append(Make(row.code, out.line.quantity, weight, credit, product))
            rows.append(row)
            rules.append(shared_by[place])
            if out.lot is None:
                handed_over.append(Take(row.code, out.line.quantity))
        facts = Facts(
            "runs", run.run, run.route, run.step, run.project, run.operator, tuple(direct), tuple(not_counted),
            tuple(f"{run.run}: {note}" for note in said),
            tuple((row.code, rule) for row, rule in zip(rows, rules, strict=True) if rule is not None),
        )  # fmt: skip
        event = Event(
            key, status, begun, ended,
            cost_micro=sum(each.micro or 0 for each in direct),
            unpriced=tuple(dict.fromkeys(each.name for each in unpriced)),
            takes=_takes(lines, "charge"),
            makes=tuple(makes),
            whole=shares.whole,
            step=f"{run.route}/{run.step}",
        )  # fmt: skip
        yield Built(event, facts, tuple(rows), tuple(unpriced))
        if handed_over:
            gone = Event(f"{key}/handed-over", Kind.DELIVERY, ended, takes=tuple(handed_over))
            yield Built(gone, facts._replace(direct=(), not_counted=(), notes=()))

    def _direct(
        self, run: RunRow, lines: Iterable[Line], day: dt.date
    ) -> tuple[list[Direct], list[Unpriced], list[str]]:
        direct: list[Direct] = []
        unpriced: list[Unpriced] = []
        not_counted: list[str] = []
        for line in lines:
            if line.kind == "charge" and line.lot is None:
                cost = self._charge(line, day)
                if isinstance(cost, Unpriced):
                    unpriced.append(cost)
                micro = None if isinstance(cost, Unpriced) else cost
                quantity = None if line.quantity is None else -line.quantity
                direct.append(Direct("charge", line.material, line.dimension, quantity, micro))
            elif line.kind in ("labour", "energy") or line.role == WASTE:
                of, rated = "waste" if line.role == WASTE else line.kind, None
                if of != "labour" or self._labour:
                    lot = self._lots.get(line.lot or "")
                    strength = Strength() if lot is None else strength_from(lot.strength)
                    rated = self._money.rated(of, line, strength, day)
                if isinstance(rated, str):
                    not_counted.append(rated)
                micro = rated if isinstance(rated, int) else None
                direct.append(Direct(of, line.material, line.dimension, line.quantity, micro))
        consumables = self._money.consumables(run.route, run.route_revision, run.step, day)
        if isinstance(consumables, Unpriced):
            unpriced.append(consumables)
        elif consumables is not None:
            direct.append(Direct("consumables", None, None, None, consumables))
        return direct, unpriced, not_counted

    def _charge(self, line: Line, day: dt.date) -> int | Unpriced:
        assert line.material is not None, "a charge is of a material"
        if line.price_micro is not None and line.currency is not None:
            return self._money.converted(line.price_micro, line.currency, day)
        if line.quantity is None:
            return Unpriced(f"material:{line.material}", "how much was charged is not known")
        return self._money.offered(line.material, line.dimension, -line.quantity, day)

    def _credit(self, line: Line, day: dt.date) -> int | Unpriced:
        if line.credit_micro is None or line.currency is None:
            return 0
        return self._money.converted(line.credit_micro, line.currency, day)


def _asks_of_its_material(line: Line) -> bool:
    """Say whether what a line would fetch, or what its volume holds or weighs, may be asked."""
    stated = line.price_micro is not None or line.credit_micro is not None or line.cost_share_micro is not None
    by_product = line.role in (CO_PRODUCT, RECOVERED) and line.lot is not None
    by_volume = line.kind == "outturn" and line.dimension == "volume"
    return (by_product or by_volume) and not stated


def _made_up(run: RunRow, place: int, line: Line) -> LotRow:
    assert line.material is not None, "an outturn is of a material"
    day = run.finished_on or run.started_on
    return LotRow(
        f"{run.run}/{place}", line.material, line.dimension, "{}", run.project, day, None, "made", "runs", run.run
    )


def _takes(lines: Iterable[Line], kind: str) -> tuple[Take, ...]:
    return tuple(
        Take(line.lot, None if line.quantity is None else -line.quantity)
        for line in lines
        if line.kind == kind and line.lot is not None
    )


def _day(text: str | None) -> dt.date | None:
    return None if text is None else dt.date.fromisoformat(text)
