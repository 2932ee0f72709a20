"""Two years at a generated bench, run after run, with the truth of each noted as it is made."""

from __future__ import annotations

import random
from collections.abc import Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

from tests.world.bench import Bench
from tests.world.options import Options
from tests.world.routes import Line
from tests.world.shelf import Amount, balances
from tests.world.truth import Truth


@dataclass
class World:
    """A book and its truth. ``records`` are import lines, not all of them after what they name."""

    seed: int
    options: Options
    records: list[Line]
    truth: Truth = field(repr=False)

    @cached_property
    def balances(self) -> dict[str, Amount]:
        """What must be left of every lot, in exact fractions of its own unit (g, mL or mol)."""
        return balances(self.records)

    def lines_of(self, kind: str) -> Iterator[Line]:
        """The lines of one kind."""
        return (line for line in self.records if line["kind"] == kind)


def make_world(seed: int, **options: Any) -> World:
    """Make a book with its truth; ``options`` are the fields of :class:`Options`."""
    chosen = Options(**options)
    bench = Bench(seed, chosen)
    records = list(bench.lines())
    if chosen.shuffled:
        random.Random(f"{seed}/order").shuffle(records)
    return World(seed, chosen, records, bench.truth)


def iter_records(seed: int, **options: Any) -> Iterator[Line]:
    """The same lines one by one, keeping neither them nor the truth of the runs."""
    bench = Bench(seed, Options(**options), keep=False)
    yield from bench.lines()
