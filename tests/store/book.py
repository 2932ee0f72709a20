"""A small workshop to write in: copper oxide from blue vitriol, by way of basic copper carbonate."""

from __future__ import annotations

import datetime as dt
from collections.abc import Mapping
from contextlib import AbstractContextManager
from copy import deepcopy
from typing import Any

from sqlalchemy import select

from service.record.put import put_record
from service.record.remove import delete_record
from service.record.written import Written
from service.store import outcomes, records, shelf
from service.store.balances import balances
from service.store.session import Database, Reading
from service.store.tables import DERIVED, revisions, workshops
from service.store.tokens import create_token, find_workshop

AT = dt.datetime(2026, 5, 1, 12, tzinfo=dt.UTC)

MATERIALS: dict[str, dict[str, Any]] = {
    "blue-vitriol": {"name": "copper(II) sulfate pentahydrate", "formula": "CuSO4.5H2O", "density": "2.286 g/mL"},
    "soda-ash": {"name": "sodium carbonate", "formula": "Na2CO3"},
    "malachite": {"name": "basic copper carbonate", "formula": "Cu2CO3(OH)2"},
    "sodium-sulfate": {"name": "sodium sulfate", "formula": "Na2SO4"},
    "carbon-dioxide": {"name": "carbon dioxide", "formula": "CO2"},
    "water": {"name": "water", "formula": "H2O", "density": "0.998 g/mL", "solvent": True},
    "copper-oxide": {"name": "copper(II) oxide", "formula": "CuO"},
}
REACTION = {
    "reactants": {"blue-vitriol": 2, "soda-ash": 2},
    "products": {"malachite": 1, "sodium-sulfate": 2, "carbon-dioxide": 1, "water": 9},
}
ROUTE: dict[str, Any] = {
    "name": "copper oxide from vitriol",
    "product": "copper-oxide",
    "steps": [
        {
            "code": "carbonate",
            "name": "precipitate basic carbonate",
            "basis": "stoichiometric",
            "key_input": "blue-vitriol",
            "product": "malachite",
            "reaction": REACTION,
            "bill": [
                {"material": "soda-ash", "equivalents": "1.1"},
                {"material": "water", "per_key_input": "8 mL/g"},
            ],
        },
        {
            "code": "roast",
            "name": "roast to the oxide",
            "basis": "stoichiometric",
            "key_input": "malachite",
            "product": "copper-oxide",
            "reaction": {
                "reactants": {"malachite": 1},
                "products": {"copper-oxide": 2, "carbon-dioxide": 1, "water": 1},
            },
        },
    ],
}
VITRIOL_LOT: dict[str, Any] = {
    "material": "blue-vitriol",
    "amount": "500 g",
    "assay": "0.98",
    "received_on": "2026-03-04",
    "value": {"amount": "6.50", "currency": "EUR"},
}
CARBONATE_RUN: dict[str, Any] = {
    "route": "oxide",
    "step": "carbonate",
    "project": "pigments",
    "status": "finished",
    "started_on": "2026-04-11",
    "finished_on": "2026-04-12",
    "operator": "m1",
    "charges": [
        {"lot": "vitriol-1", "amount": "50.0 g"},
        {"material": "soda-ash", "amount": "23.5 g"},
        {"material": "water", "amount": "400 mL"},
    ],
    "outturns": [
        {"material": "malachite", "lot": "malachite-1", "gross": "142.31 g", "tare": "121.90 g", "assay": "0.96"}
    ],
}
ROAST_RUN: dict[str, Any] = {
    "route": "oxide",
    "step": "roast",
    "status": "finished",
    "finished_on": "2026-04-20",
    "charges": [{"lot": "malachite-1", "amount": "10.00 g"}],
    "outturns": [{"material": "copper-oxide", "lot": "oxide-1", "net": "6.50 g"}],
}


class Book:
    """One workshop of one database, to be written in by the stories themselves."""

    def __init__(self, database: Database, workshop: str) -> None:
        self.database = database
        create_token(database, workshop, "manage")
        self.workshop_id = find_workshop(database, workshop)

    def put(self, kind: str, code: str, body: Mapping[str, Any], if_match: str | None = "*", **more: Any) -> Written:
        """PUT; whatever stands there is overwritten, unless ``if_match`` says otherwise."""
        if if_match == "*" and self.etag(kind, code) is None:
            if_match = None
        return put_record(self.database, self.workshop_id, kind, code, body, if_match=if_match, by="m1", at=AT, **more)

    def remove(self, kind: str, code: str, if_match: str | None = "*") -> Written:
        """DELETE."""
        return delete_record(self.database, self.workshop_id, kind, code, if_match=if_match, by="m1", at=AT)

    def etag(self, kind: str, code: str) -> str | None:
        """The version of a record, None where there is none."""
        with self.reading() as reading:
            found = records.current(reading, kind, code)
        return None if found is None else found.etag

    def reading(self) -> AbstractContextManager[Reading]:
        """One snapshot."""
        return self.database.reading(self.workshop_id)

    def state(self) -> int:
        """The workshop's state."""
        with self.reading() as reading:
            return reading.state

    def outcome(self, run: str) -> outcomes.StoredOutcome:
        """The outcome of a run."""
        with self.reading() as reading:
            return outcomes.stored_outcomes(reading, [run])[run]

    def lot(self, code: str) -> shelf.StoredLot:
        """A lot on the shelf."""
        with self.reading() as reading:
            return shelf.stored_lots(reading, [code])[code]

    def left(self, lot: str) -> int:
        """What is left of a lot, in ng, nL or nmol."""
        with self.reading() as reading:
            return balances(reading, [lot])[lot].quantity

    def rows(self) -> dict[str, list[tuple[Any, ...]]]:
        """Every row of the workshop, by table, in an order that does not depend on how they were written."""
        found = {}
        with self.reading() as reading:
            for table in (*DERIVED, revisions):
                statement = select(table).where(table.c.workshop == self.workshop_id)
                found[table.name] = sorted(map(tuple, reading.connection.execute(statement)), key=repr)
            statement = select(workshops).where(workshops.c.id == self.workshop_id)
            found["workshops"] = list(map(tuple, reading.connection.execute(statement)))
        return found

    def fill(self) -> None:
        """The materials, the route and the lot that the examples use."""
        self.put("projects", "pigments", {"name": "pigment bench"})
        for code, body in MATERIALS.items():
            self.put("materials", code, body)
        self.put("routes", "oxide", ROUTE)
        self.put("lots", "vitriol-1", VITRIOL_LOT)

    def fill_with_runs(self) -> None:
        """The same with a run of either step, the second from what the first made."""
        self.fill()
        self.put("runs", "C-1", CARBONATE_RUN)
        self.put("runs", "R-1", ROAST_RUN)


def altered(body: Mapping[str, Any], **changes: Any) -> dict[str, Any]:
    """A copy of a body with some keys changed."""
    return {**deepcopy(dict(body)), **changes}
