"""The book as one answer sees it: records, shelf and columns of one workshop, all of one snapshot."""

from __future__ import annotations

import datetime as dt
import difflib
from collections.abc import Callable, Collection, Hashable, Iterable, Mapping
from functools import cached_property
from types import MappingProxyType
from typing import Any, Final, TypeVar, cast

from service.answer.ledger_memory import LedgerMemory
from service.answer.run_columns import Columns
from service.answer.snapshot import Memory
from service.domain.graph import connect
from service.domain.material import Material
from service.domain.offer import Offer
from service.domain.route import Route, Step
from service.domain.supplier import Supplier
from service.domain.workshop import ExchangeRate, Rate, Workshop
from service.errors import UnknownRecord
from service.schemas.kinds import singular
from service.schemas.recall import recalled
from service.store import records, standing
from service.store.records import StoredRecord
from service.store.session import Reading

WORKSHOP = "workshop"
MOST_CODES_SEARCHED: Final = 2000
"""Codes among which the one that was meant is looked for."""
T = TypeVar("T")


class Book:
    """One workshop's records at the state of ``reading``; nothing is read before it is asked for, and nothing twice."""

    def __init__(self, reading: Reading, memory: Memory) -> None:
        self.reading = reading
        self._memory = memory

    @property
    def state(self) -> int:
        """The workshop's state that everything here is as of."""
        return self.reading.state

    @cached_property
    def columns(self) -> Columns:
        """One line a run."""
        return self._memory.columns(self.reading)

    def fact(self, key: Hashable, make: Callable[[], T]) -> T:
        """Return what ``make`` returns, from memory where it was made before at this state: see ``Memory.fact``."""
        return self._memory.fact(self.reading, key, make)

    def lasting(self, key: Hashable, of: object, make: Callable[[], T]) -> T:
        """Return what ``make`` returns, from memory where it was made of an equal ``of``: see ``Memory.lasting``."""
        return self._memory.lasting(self.reading, key, of, make)

    @property
    def ledgers(self) -> LedgerMemory:
        """The traced ledgers that this process holds, of whichever state."""
        return self._memory.ledgers

    @cached_property
    def workshop(self) -> Workshop:
        """The workshop's own record."""
        return cast(Workshop, self.record(WORKSHOP, WORKSHOP))

    def stored(self, kind: str, code: str) -> StoredRecord:
        """Return the current record as written. Raises UnknownRecord where there is none."""
        found = records.current(self.reading, kind, code)
        if found is None:
            raise self.unknown(kind, code)
        return found

    def require(self, kind: str, codes: Collection[str | None]) -> None:
        """Raise UnknownRecord for the first of ``codes`` that no record of a kind has; None asks for nothing.

        What names a record that there is not is asked by mistake: an answer of nothing would hide that.
        """
        wanted = {code for code in codes if code is not None}
        missing = wanted - standing.codes_of(self.reading, kind, wanted) if wanted else ()
        for code in sorted(missing):
            raise self.unknown(kind, code)

    def unknown(self, kind: str, code: str) -> UnknownRecord:
        """Return the error for a code that no record of a kind has, with the nearest that one has."""
        known = standing.some_codes(self.reading, kind, MOST_CODES_SEARCHED)
        near = difflib.get_close_matches(code, known, n=1)
        hint = f": did you mean {near[0]!r}?" if near else ""
        return UnknownRecord(f"this workshop has no {singular(kind)} with the code {code!r}{hint}")

    def record(self, kind: str, code: str) -> Any:
        """Return the current record of a kind and code. Raises UnknownRecord where there is none."""
        return self.recalled(self.stored(kind, code))

    def records(self, kind: str, codes: Collection[str] | None = None) -> dict[str, Any]:
        """Return the current records of a kind by code: those of ``codes`` that there are, or all."""
        found = records.many(self.reading, kind, codes)
        return {stored.code: self.recalled(stored) for stored in found}

    def recalled(self, stored: StoredRecord) -> Any:
        """Return the frozen record of a stored one."""
        return recalled(self.reading.workshop_id, stored.kind, stored.code, stored.revision, stored.text)

    def route(self, code: str) -> Route:
        """Return a route with its graph connected. Raises UnknownRecord where there is none."""
        return self.fact(("route", code), lambda: connect(self.record("routes", code)))

    def is_own(self, route: Route) -> bool:
        """Say whether a route is the very one that :meth:`route` returns, and not a changed one under its code."""
        try:
            return self.route(route.code) is route
        except UnknownRecord:
            return False

    def step(self, route: Route, code: str) -> Step:
        """Return a step of a route. Raises UnknownRecord where the route has none of that code."""
        found = route.step(code)
        if found is None:
            steps = ", ".join(step.code for step in route.steps)
            raise UnknownRecord(f"route {route.code!r} has no step {code!r}; its steps are {steps}")
        return found

    def materials(self, codes: Iterable[str]) -> Mapping[str, Material]:
        """Return materials by code, their analytes with them."""
        wanted = frozenset(codes)
        return self.fact(("materials", wanted), lambda: self._materials(wanted))

    def _materials(self, codes: frozenset[str]) -> Mapping[str, Material]:
        found: dict[str, Material] = self.records("materials", codes)
        analytes = {material.analyte_code for material in found.values()} - set(found)
        return MappingProxyType(found | self.records("materials", analytes) if analytes else found)

    def materials_of(self, route: Route) -> Mapping[str, Material]:
        """Return every material that a route names, by code, their analytes with them."""
        named: set[str] = set()
        for step in route.steps:
            named.update((*step.inputs, step.product, *step.co_products))
            named.update(() if step.analyte is None else (step.analyte,))
            if step.reaction is not None:
                named.update((*step.reaction.reactants, *step.reaction.products))
        return self.materials(named)

    @cached_property
    def offers(self) -> tuple[Offer, ...]:
        """Every offer, by code."""
        return tuple(self.records("offers").values())

    @cached_property
    def suppliers(self) -> Mapping[str, Supplier]:
        """Every supplier, by code."""
        return self.records("suppliers")

    @cached_property
    def exchange_rates(self) -> tuple[ExchangeRate, ...]:
        """Every exchange rate, oldest first."""
        found = self.records("exchange-rates").values()
        return tuple(sorted(found, key=lambda rate: (rate.valid_from, rate.code)))

    @cached_property
    def rates(self) -> tuple[Rate, ...]:
        """Every rate of labour, energy and waste, oldest first."""
        return tuple(sorted(self.records("rates").values(), key=lambda rate: (rate.valid_from, rate.code)))

    def rests_on(self, as_of: dt.date, method: str, **more: Any) -> dict[str, Any]:
        """Return what an answer rests on: state, date, method and its version, and what is given besides."""
        name, version = method.split("/")
        return {"state": self.state, "as_of": as_of.isoformat(), "method": name, "method_version": version, **more}
