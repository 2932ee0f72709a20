"""What one write transaction has looked up already: materials, lots and routes, each read once.

Whatever the transaction writes is put here too, so that many records written in one transaction see each other.
"""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import replace
from typing import Any

from service.domain.material import Material
from service.domain.reference import materials_of_run, materials_of_step
from service.domain.route import Route
from service.domain.run import Run
from service.record.currencies import Currencies
from service.schemas.kinds import WORKSHOP, Record
from service.schemas.recall import last_recalled, recalled
from service.store import records, shelf, stock
from service.store.balances import Balance, put_balances, remove_balances
from service.store.entries import Entry, Move, replace_entries
from service.store.outcomes import StoredOutcome
from service.store.records import StoredRecord
from service.store.session import Writing
from service.store.shelf import StoredLot


class Bench:
    """The look-ups of one write transaction. What is asked for and not there is left out of the answers."""

    def __init__(self, writing: Writing) -> None:
        self.writing = writing
        self.outcomes: dict[str, StoredOutcome] = {}
        self.moves: dict[str, tuple[Mapping[str, Any], Mapping[str, Any]]] = {}
        """The outcomes that came out different: the row before and after, by run."""
        self.stock_lots: dict[str, str] = {}
        """Lots whose stock entries are to be worked out again before the record is written, and from which day on."""
        self.currencies = Currencies(writing)
        self.first_rates: Mapping[str, str] | None = None
        """From which day on each currency had a rate before this transaction wrote one; None: it wrote none."""
        self._materials: dict[str, Material | None] = {}
        self._lots: dict[str, StoredLot | None] = {}
        self._routes: dict[tuple[str, int], Route] = {}
        self._standing_routes: dict[str, int | None] = {}
        self._others: dict[tuple[str, str], bool] = {}
        self._newest: dict[tuple[str, str], StoredRecord | None] = {}

    def materials(self, codes: Iterable[str]) -> dict[str, Material]:
        """Materials by code, the analytes of those asked for among them."""
        wanted = set(codes)
        self._look_up({"materials": wanted})
        wanted |= {found.analyte_code for code in wanted if (found := self._materials[code]) is not None}
        self._look_up({"materials": wanted})  # of what was asked for before, or is written here
        return {code: found for code in wanted if (found := self._materials[code]) is not None}

    def lots(self, codes: Iterable[str]) -> dict[str, StoredLot]:
        """Lots on the shelf by code."""
        wanted = set(codes)
        unread = wanted - self._lots.keys()
        if unread:
            found = shelf.stored_lots(self.writing, unread)
            self._lots |= {code: found.get(code) for code in unread}
        return {code: lot for code in wanted if (lot := self._lots[code]) is not None}

    def standing_routes(self, codes: Iterable[str]) -> dict[str, int]:
        """The routes that there are, and the revision in which each stands."""
        wanted = set(codes)
        self._look_up({"routes": wanted})
        return {code: revision for code in wanted if (revision := self._standing_routes[code]) is not None}

    def routes(self, pairs: Collection[tuple[str, int]]) -> dict[tuple[str, int], Route]:
        """Routes in certain revisions, by code and number."""
        unread = set(pairs) - self._routes.keys()
        if unread:
            for pair, stored in records.at_revisions(self.writing, "routes", unread).items():
                self._routes[pair] = self._route(stored)
        return {pair: self._routes[pair] for pair in pairs}

    def look_up_for_run(self, run: Run) -> None:
        """Look up in few statements what a run is checked against and computed from."""
        lots = {charge.lot for charge in run.charges} | {outturn.lot for outturn in run.outturns}
        found = self.lots(code for code in lots if code is not None)
        wanted = {*materials_of_run(run), *(stored.lot.material for stored in found.values())}
        guess = last_recalled(self.writing.workshop_id, "routes", run.route)
        if isinstance(guess, Route) and (step := guess.step(run.step)) is not None:
            wanted.update(materials_of_step(step))
        self._look_up(
            {
                "materials": wanted,
                "routes": {run.route},
                "projects": set() if run.project is None else {run.project},
            }
        )
        revision = self.standing_routes([run.route]).get(run.route)
        step = None if revision is None else self._routes[run.route, revision].step(run.step)
        self.materials(wanted if step is None else wanted.union(materials_of_step(step)))

    def look_up(self, named: Mapping[str, Collection[str]]) -> None:
        """Look up at once what many records name, by kind."""
        self.lots(named.get("lots", ()))
        self._look_up({kind: set(codes) for kind, codes in named.items() if kind not in ("lots", "runs", WORKSHOP)})

    def look_up_newest(self, kind: str, codes: Collection[str]) -> None:
        """Look up at once the last revisions of many records of a kind that are to be written."""
        found = records.newest_of(self.writing, kind, codes)
        self._newest |= {(kind, code): found.get(code) for code in codes}

    def newest(self, kind: str, code: str) -> StoredRecord | None:
        """The last revision of a record, a tombstone too; None where there never was one."""
        if (kind, code) not in self._newest:
            self._newest[kind, code] = records.newest(self.writing, kind, code)
        found = self._newest[kind, code]
        moved = None if kind != "runs" or found is None else self.outcomes.get(code)
        return found if moved is None or found is None else replace(found, outcome_state=moved.state)

    def loaded(self, stored: StoredRecord) -> Record:
        """The frozen record of a stored one."""
        return recalled(self.writing.workshop_id, stored.kind, stored.code, stored.revision, stored.text)

    def known(self, kind: str, codes: Collection[str]) -> set[str]:
        """Which of ``codes`` there are of a kind."""
        if kind == "materials":
            return self.materials(codes).keys() & set(codes)
        if kind == "lots":
            return set(self.lots(codes))
        if kind == "routes":
            return set(self.standing_routes(codes))
        self._look_up({kind: set(codes)})
        return {code for code in codes if self._others[kind, code]}

    def wrote(self, stored: StoredRecord) -> None:
        """A revision was written, or a tombstone."""
        self._newest[stored.kind, stored.code] = stored
        self._others[stored.kind, stored.code] = not stored.deleted

    def wrote_material(self, code: str, material: Material | None) -> None:
        """A material was written, or removed where it is None."""
        self._materials[code] = material

    def wrote_route(self, code: str, revision: int, route: Route | None) -> None:
        """A route was written, or removed where it is None."""
        self._standing_routes[code] = None if route is None else revision
        if route is not None:
            self._routes[code, revision] = route

    def put_lots(self, lots: Collection[StoredLot]) -> None:
        """Put lots on the shelf."""
        shelf.put_lots(self.writing, list(lots))
        known = self.lots(stored.lot.code for stored in lots)
        for stored in lots:
            was = known.get(stored.lot.code)
            left = None if was is None or was.left is None else replace(was.left, dimension=stored.lot.dimension)
            self._lots[stored.lot.code] = replace(stored, left=left)

    def replace_lines(self, before: Iterable[Entry], after: Sequence[Entry]) -> None:
        """Turn lines of the ledger into others; a lot that was counted since their day is to be worked out again."""
        moves = self.move_lines(before, after)
        counted = [code for code, stored in self.lots(moves).items() if stored.recounts]
        for code, last in stock.last_recounts(self.writing, counted).items() if counted else ():
            if moves[code].since <= last:
                self.note_stock([code], moves[code].since)

    def note_stock(self, codes: Iterable[str], since: str = "") -> None:
        """Let the stock entries of lots be worked out again before the record is written.

        ``since`` is the day, as ISO text, from which on a recount may come to something else; "" where any may.
        """
        for code in codes:
            self.stock_lots[code] = min(since, self.stock_lots.get(code, since))

    def move_lines(self, before: Iterable[Entry], after: Sequence[Entry]) -> dict[str, Move]:
        """Turn lines of the ledger into others, and move what is left of their lots; return how these moved."""
        moves = replace_entries(self.writing, before, after)
        left: dict[str, Balance] = {}
        for code, stored in self.lots(moves).items():
            was, move = stored.left, moves[code]
            if was is None or move.quantity or move.unknown:
                left[code] = (was or Balance(stored.lot.dimension, 0, 0)).moved(move.quantity, move.unknown)
                self._lots[code] = replace(stored, left=left[code])
        put_balances(self.writing, left)
        return moves

    def left_of(self, codes: Iterable[str | None]) -> dict[str, Balance]:
        """What is left of lots by now, by code."""
        found = self.lots(code for code in codes if code is not None)
        return {code: stored.left for code, stored in found.items() if stored.left is not None}

    def remove_lots(self, codes: Collection[str]) -> None:
        """Take lots off the shelf."""
        remove_balances(self.writing, codes)
        shelf.remove_lots(self.writing, codes)
        self._lots |= dict.fromkeys(codes)

    def _look_up(self, named: Mapping[str, set[str]]) -> None:
        """Read what is named and was not asked for before, in one statement."""
        unread: dict[str, set[str]] = {}
        for kind, codes in named.items():
            if kind == "materials":
                unread[kind] = codes - self._materials.keys()
                self._materials |= dict.fromkeys(unread[kind])
            elif kind == "routes":
                unread[kind] = codes - self._standing_routes.keys()
                self._standing_routes |= dict.fromkeys(unread[kind])
            else:
                unread[kind] = {code for code in codes if (kind, code) not in self._others}
                self._others |= {(kind, code): False for code in unread[kind]}
        for stored in records.several(self.writing, unread):
            if stored.kind == "materials":
                if self._materials.get(stored.code) is None:
                    found = self.loaded(stored)
                    assert isinstance(found, Material)
                    self._materials[stored.code] = found
            elif stored.kind == "routes":
                self._standing_routes[stored.code] = stored.revision
                self._routes[stored.code, stored.revision] = self._route(stored)
            else:
                self._others[stored.kind, stored.code] = True

    def _route(self, stored: StoredRecord) -> Route:
        found = self.loaded(stored)
        assert isinstance(found, Route)
        return found
