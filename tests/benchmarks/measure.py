"""Medians of wall and processor time, taken in turn with a floor, and the table that they are printed in."""

from __future__ import annotations

import os
import platform
import sqlite3
import statistics
import time
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

WARM_UPS = 3

Action = Callable[[int], object]


@dataclass(frozen=True, slots=True)
class Cost:
    """What one call takes: seconds on the wall and seconds of this process's processor time."""

    wall_s: float
    cpu_s: float


@dataclass(frozen=True, slots=True)
class Row:
    """One line of the table: a thing and its floor; ``at_most`` is the ratio on the wall that it should keep within."""

    what: str
    cost: Cost
    floor: Cost
    at_most: float | None = None

    @property
    def ratio(self) -> float:
        """Wall time over that of the floor."""
        return self.cost.wall_s / self.floor.wall_s

    @property
    def cpu_ratio(self) -> float:
        """Processor time over that of the floor."""
        return self.cost.cpu_s / self.floor.cpu_s if self.floor.cpu_s else float("nan")


def in_turn(calls: int, actions: Sequence[Action], *, before: Action | None = None) -> list[Cost]:
    """Return the median cost of each action over ``calls`` rounds, after a few that do not count.

    Each action gets the number of the round; in a round they are called one after another, so that whatever else the
    machine does falls on all of them alike. ``before`` is called ahead of each round, untimed.
    """
    walls: list[list[float]] = [[] for _ in actions]
    cpus: list[list[float]] = [[] for _ in actions]
    for number in range(min(WARM_UPS, calls) + calls):
        if before is not None:
            before(number)
        for place, action in enumerate(actions):
            cpu, wall = time.process_time(), time.perf_counter()
            action(number)
            wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
            walls[place].append(wall)
            cpus[place].append(cpu)
    return [
        Cost(statistics.median(wall[-calls:]), statistics.median(cpu[-calls:]))
        for wall, cpu in zip(walls, cpus, strict=True)
    ]


def once(action: Callable[[], object]) -> Cost:
    """Return the cost of one call, of something too long to be done over and over."""
    cpu, wall = time.process_time(), time.perf_counter()
    action()
    wall, cpu = time.perf_counter() - wall, time.process_time() - cpu
    return Cost(wall, cpu)


def table(rows: Iterable[Row]) -> str:
    """Return rows as a Markdown table."""
    lines = [
        "| what | ms | floor, ms | ratio | at most | processor, ms | floor, ms | ratio |",
        "|---|--:|--:|--:|--:|--:|--:|--:|",
    ]
    for row in rows:
        at_most = "" if row.at_most is None else f"{row.at_most:g}"
        lines.append(
            f"| {row.what} | {_ms(row.cost.wall_s)} | {_ms(row.floor.wall_s)} | {row.ratio:.2g} | {at_most} "
            f"| {_ms(row.cost.cpu_s)} | {_ms(row.floor.cpu_s)} | {row.cpu_ratio:.2g} |"
        )
    return "\n".join(lines)


def machine() -> str:
    """Return in one line what the figures were measured on."""
    told = Path("/proc/cpuinfo").read_text("utf-8") if Path("/proc/cpuinfo").exists() else ""
    models = [line.partition(":")[2].strip() for line in told.splitlines() if line.startswith("model name")]
    processor = models[0] if models else platform.machine()
    return (
        f"{os.cpu_count()} × {processor}, {platform.system()} {platform.release()}, "
        f"{platform.python_implementation()} {platform.python_version()}, SQLite {sqlite3.sqlite_version}, "
        f"load {os.getloadavg()[0]:.1f}"
    )


def _ms(seconds: float) -> str:
    return f"{1000 * seconds:.3g}" if seconds < 1 else f"{1000 * seconds:,.0f}"
