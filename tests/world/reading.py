"""A book of import lines as the domain reads it: records loaded, lots put on the shelf, every run's outcome."""

from __future__ import annotations

import csv
import json
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from service.domain.lot import Lot, Measured, Pool, ShelfLot, Strength, strength_of
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.outcome import Outcome, outcome_of
from service.domain.purchase import Purchase, bought_lines
from service.domain.route import Route
from service.domain.run import Run
from service.schemas.kinds import load_record, plural

Line = dict[str, Any]


@dataclass
class Book:
    """The records of a book by kind and code, and the lots of its shelf."""

    records: dict[str, dict[str, Any]] = field(default_factory=dict)
    shelf: dict[str, ShelfLot] = field(default_factory=dict)

    @property
    def materials(self) -> Mapping[str, Material]:
        return self.records.get("materials", {})

    @property
    def routes(self) -> Mapping[str, Route]:
        return self.records.get("routes", {})

    @property
    def runs(self) -> Mapping[str, Run]:
        return self.records.get("runs", {})

    def outcome(self, code: str) -> Outcome:
        """The outcome of one run by the step that it names."""
        run = self.runs[code]
        step = self.routes[run.route].step(run.step)
        assert step is not None, f"{run.route} has no step {run.step}"
        return outcome_of(run, step, self.materials, self.shelf)


def read_book(lines: Iterable[Line]) -> Book:
    """Load every line, in whatever order they come; raises InvalidInput at the first that cannot be taken."""
    book = Book()
    for line in lines:
        kind = plural(line["kind"])
        records = book.records.setdefault(kind, {})
        assert line["code"] not in records, f"{line['kind']} {line['code']} stands twice"
        records[line["code"]] = load_record(kind, line["code"], line["record"])
    for lot in book.records.get("lots", {}).values():
        book.shelf[lot.code] = _from_lot(lot)
    for purchase in book.records.get("purchases", {}).values():
        book.shelf |= _from_purchase(purchase, book.records.get("offers", {}))
    for run in book.runs.values():
        for outturn in run.outturns:
            if outturn.lot is not None:
                book.shelf[outturn.lot] = ShelfLot(
                    outturn.lot, outturn.material, "mass", outturn.strength, "runs", run.code, run.project
                )
    for pool in sorted(book.records.get("pools", {}).values(), key=lambda pool: pool.made_on):
        book.shelf[pool.lot] = _from_pool(pool, book.shelf)
    _found_later(book)
    return book


def _from_lot(lot: Lot) -> ShelfLot:
    strength = strength_of(
        assay=lot.assay,
        loss_on_drying=lot.loss_on_drying,
        concentration=lot.concentration,
        density=lot.density,
        contents=lot.contents,
    )
    return ShelfLot(lot.code, lot.material, lot.amount.dimension, strength, "lots", lot.code)


def _from_purchase(purchase: Purchase, offers: Mapping[str, Offer]) -> dict[str, ShelfLot]:
    return {
        line.lot: ShelfLot(line.lot, line.material, line.dimension, line.strength, "purchases", purchase.code)
        for line in bought_lines(purchase, offers)
    }


def _found_later(book: Book) -> None:
    """A lot is as strong as its newest assay found it, whenever it was made; pools of it are looked at by none here."""
    several = sorted(book.records.get("stock-entries", {}).values(), key=lambda entry: (entry.on, entry.code))
    taken_back = {entry.reverses for entry in several}
    for entry in several:
        if entry.kind == "assay" and entry.code not in taken_back:
            lot = book.shelf[entry.lot]
            book.shelf[lot.code] = replace(lot, strength=entry.strength.over(lot.strength))


def _from_pool(pool: Pool, shelf: Mapping[str, ShelfLot]) -> ShelfLot:
    """A pool holds what its parts held: strengths are means by mass, unless measured on the pool."""
    grams = [part.amount.base() for part in pool.parts]
    strengths = [shelf[part.lot].strength for part in pool.parts]
    dry = [
        g * (1.0 - (s.loss_on_drying.value if s.loss_on_drying else 0.0)) for g, s in zip(grams, strengths, strict=True)
    ]
    pure = [d * (s.assay.value if s.assay else 1.0) for d, s in zip(dry, strengths, strict=True)]
    measured = strength_of(assay=pool.assay, loss_on_drying=pool.loss_on_drying)
    strength = Strength(
        assay=measured.assay or Measured(sum(pure) / sum(dry)),
        loss_on_drying=measured.loss_on_drying or Measured(1.0 - sum(dry) / sum(grams)),
    )
    return ShelfLot(pool.lot, shelf[pool.parts[0].lot].material, "mass", strength, "pools", pool.code, pool.project)


def lines_of(file: Path) -> Iterator[Line]:
    """The import lines of a file: a JSON array of them, or weighings as CSV, a row a charge or an outturn."""
    if file.suffix == ".json":
        yield from json.loads(file.read_text("utf-8"))
    else:
        with file.open(encoding="utf-8", newline="") as rows:
            yield from _of_weighings(csv.DictReader(rows))


def _of_weighings(rows: Iterable[Mapping[str, str]]) -> Iterator[Line]:
    runs: dict[str, dict[str, Any]] = {}
    for row in rows:
        given = {key: value for key, value in row.items() if value}
        about: dict[str, Any] = {
            key: given.pop(key)
            for key in ("route", "step", "started_on", "finished_on", "operator", "status")
            if key in given
        }
        run = runs.setdefault(given.pop("run"), {**about, "charges": []})
        if "note" in given:
            run["note"] = given.pop("note")
        if given.pop("direction") == "in":
            run["charges"].append(given)
        else:
            if "amount" in given:
                given["net"] = given.pop("amount")
            run.setdefault("outturns", []).append(given)
    for code, record in runs.items():
        yield {"kind": "run", "code": code, "record": record}
