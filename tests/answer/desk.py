"""One workshop that is written in and asked: a generated book or a small one of its own."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

from service.answer import records
from service.answer.batch_sheet import batch_sheet_of
from service.answer.book import Book as Read
from service.answer.carry_on import carry_on_of
from service.answer.compared import Period
from service.answer.cost import cost_of
from service.answer.losses import losses_of
from service.answer.mass_metrics import mass_metrics_of
from service.answer.plan import plan_of
from service.answer.push import push_of
from service.answer.snapshot import Memory
from service.answer.what_if import what_if_of
from service.answer.yields import yields_of
from service.record.importing import import_records
from service.schemas.plan_questions import load_carry_on
from service.schemas.what_if import load_what_if
from service.store.session import Database
from tests.store.book import AT, Book
from tests.world import World

TODAY = dt.date(2026, 11, 25)


class Desk(Book):
    """A workshop with the columns that one process would keep of it."""

    def __init__(self, database: Database, workshop: str) -> None:
        super().__init__(database, workshop)
        self.memory = Memory()

    def load(self, world: World) -> Desk:
        """Take in a generated book as one file."""
        payload = "\n".join(map(json.dumps, world.records)).encode()
        report = import_records(
            self.database,
            self.workshop_id,
            payload,
            "application/x-ndjson",
            may_change_workshop=True,
            by="m1",
            at=AT,
        )
        assert report["lines"] == len(world.records)
        return self

    @contextmanager
    def opened(self) -> Iterator[Read]:
        """The book as one answer sees it."""
        with self.reading() as reading:
            yield Read(reading, self.memory)

    def yields(self, route: str, **asked: Any) -> dict[str, Any]:
        with self.opened() as book:
            return yields_of(book, route, **{"as_of": TODAY, **asked})

    def cost(self, route: str, **asked: Any) -> dict[str, Any]:
        with self.opened() as book:
            return cost_of(book, route, **{"as_of": TODAY, "currency": None, **asked})

    def losses(self, route: str, **asked: Any) -> dict[str, Any]:
        with self.opened() as book:
            return losses_of(book, route, **{"period": Period(None, TODAY), "as_of": TODAY, "currency": None, **asked})

    def mass_metrics(self, route: str) -> dict[str, Any]:
        with self.opened() as book:
            return mass_metrics_of(book, route, as_of=TODAY)

    def plan(self, route: str, target_g: float | None = None, **asked: Any) -> dict[str, Any]:
        with self.opened() as book:
            return plan_of(book, route, **{"target_g": target_g, "as_of": TODAY, **asked})

    def push(self, route: str, target_g: float, **asked: Any) -> dict[str, Any]:
        with self.opened() as book:
            return push_of(book, route, **{"target_g": target_g, "as_of": TODAY, **asked})

    def carry_on(self, route: str, *in_hand: dict[str, Any], **asked: Any) -> dict[str, Any]:
        with self.opened() as book:
            return carry_on_of(book, route, load_carry_on({**asked, "in_hand": list(in_hand)}), TODAY)

    def what_if(self, route: str, *scenarios: dict[str, Any], **asked: Any) -> dict[str, Any]:
        """Scenarios put beside today, each named by its place unless it has a name."""
        named = [{"name": str(place), **scenario} for place, scenario in enumerate(scenarios)]
        with self.opened() as book:
            return what_if_of(book, route, load_what_if({**asked, "scenarios": named}), TODAY)

    def sheet(self, route: str, step: str, key_input_g: float, *lots: str) -> dict[str, Any]:
        with self.opened() as book:
            return batch_sheet_of(book, route, step, key_input_g=key_input_g, lots=lots, as_of=TODAY)

    def view(self, kind: str, code: str) -> dict[str, Any]:
        """A record as it is read."""
        with self.opened() as book:
            return records.view(book, book.stored(kind, code))


def named(lines: list[dict[str, Any]], **key: str) -> dict[str, Any]:
    """The one line of an answer that has this name."""
    ((name, value),) = key.items()
    (found,) = (line for line in lines if line[name] == value)
    return found
