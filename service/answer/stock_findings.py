"""Findings of lots: more taken than there was; an assay that is missing where it matters, or unlike the others."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from itertools import groupby
from statistics import median

from service.answer.book import Book
from service.answer.found import Found
from service.answer.records import overdrawn
from service.domain.lot import Strength
from service.domain.route import CONTENT, STOICHIOMETRIC, Step
from service.errors import UnknownRecord
from service.store.balances import below_zero
from service.store.entries import Entry, of_lots
from service.store.finding_rows import RunLine, lots_that_limit, run_lines, stated_lots, strengths_of
from service.store.shelf import stored_lots
from service.store.strengths import strength_from

MATTERS = 0.05
"""An assay matters where another lot of the material is off by more than this from what a lot without counts as."""
LOOKED_THROUGH = 20
"""So many of the newest runs of a lot are asked whether they state an assay of their own."""


FEWEST_OTHERS = 2
STATED = {"assay": "an assay of", "molarity": "mol/L", "mass_concentration": "g/L"}


def overdrawn_lots(book: Book) -> Iterator[Found]:
    """Yield the lots of which more was taken than they held by the book, on the day on which that happened."""
    below = below_zero(book.reading)
    if not below:
        return
    shelf = stored_lots(book.reading, list(below))
    lines: dict[str, list[Entry]] = {}
    for entry in of_lots(book.reading, list(below)):
        lines.setdefault(entry.lot or "", []).append(entry)
    last = {lot: _taken_below(several) for lot, several in lines.items()}
    by = run_lines(book.reading, {entry.source_code for entry in last.values() if entry.source_kind == "runs"})
    for lot, balance in below.items():
        entry = last[lot]
        run = by.get(entry.source_code) if entry.source_kind == "runs" else None
        yield Found(
            "overdrawn",
            "lots",
            lot,
            overdrawn(lot, balance).detail,
            day=entry.on,
            project=run.project if run else shelf[lot].lot.project,
            operator=run.operator if run else None,
            route=run.route if run else None,
            step=run.step if run else None,
            more={"taken_by": {"kind": entry.source_kind, "code": entry.source_code}},
        )


def _taken_below(lines: Sequence[Entry]) -> Entry:
    """The line by which a lot went below zero and stayed there."""
    # What is put there on a day comes before what is taken on it.
    order = sorted(
        lines, key=lambda each: (each.on or "", (each.quantity or 0) < 0, each.source_kind, each.source_code)
    )
    left, culprit = 0, order[-1]
    below = False
    for entry in order:
        left += entry.quantity or 0
        if left < 0 and not below:
            culprit = entry
        below = left < 0
    return culprit


def without_assay(book: Book) -> Iterator[Found]:
    """Yield the lots that some yield rests on, without an assay where other lots show that it matters.

    Of a stoichiometric step the lots of key input and of what limited; such a lot counts as pure. Of a content step
    those of key input without a content of their own; such a lot counts as its material says. It matters where another
    lot of the material states one that is off from that by more than 5 % (judgement). One finding a lot, on its newest
    run that states none itself.
    """
    rows = lots_that_limit(book.reading)
    others = {
        material: [strength_from(text) for text in texts]
        for material, texts in strengths_of(book.reading, {material for _, material, _, _ in rows}).items()
    }
    steps: dict[tuple[str, str], Step | None] = {}
    for lot, group in groupby(rows, key=lambda row: row[0]):
        mine = list(group)
        material, runs = mine[0][1], [row[3] for row in mine]
        for line in runs:
            if (line.route, line.step) not in steps:
                steps[line.route, line.step] = _step(book, line)
        found = _lot_without(book, lot, material, runs, steps, others.get(material, []))
        if found is not None:
            yield found


def odd_assays(book: Book) -> Iterator[Found]:
    """Yield the lots whose strength is over 5 % off the median of the others of their material (judgement).

    Of lots that were bought or stood on the shelf, where at least two others state it in the same way: what the
    workshop makes differs from batch to batch.
    """
    for material, group in groupby(stated_lots(book.reading), key=lambda lot: lot.material):
        several = list(group)
        for name, says in STATED.items():
            known = [(lot, getattr(strength_from(lot.strength_text), name)) for lot in several]
            values = {lot.code: found.value for lot, found in known if found is not None}
            for lot, _ in known:
                others = [value for code, value in values.items() if code != lot.code]
                if lot.code not in values or len(others) < FEWEST_OTHERS:
                    continue
                usual, own = median(others), values[lot.code]
                if abs(own / usual - 1.0) > MATTERS:
                    detail = (
                        f"lot {lot.code} of {material} states {says} {own:.4g}; the median of the {len(others)} other "
                        f"lots is {usual:.4g}"
                    )
                    yield Found("assay-odd", "lots", lot.code, detail, day=lot.received_on, project=lot.project)


def _step(book: Book, line: RunLine) -> Step | None:
    try:
        return book.step(book.route(line.route), line.step)
    except UnknownRecord:
        return None  # gone from its route, and nothing rests on it any more


def _lot_without(
    book: Book,
    lot: str,
    material: str,
    runs: Sequence[RunLine],
    steps: Mapping[tuple[str, str], Step | None],
    others: Sequence[Strength],
) -> Found | None:
    """What is said of one lot; None where it does not matter, or where its runs state their own."""
    newest = list(reversed(runs))[:LOOKED_THROUGH]
    records = None
    for line in newest:
        step = steps[line.route, line.step]
        if step is None:
            continue
        counts_as, known = _known(book, step, material, others)
        if not known or all(abs(each / counts_as - 1.0) <= MATTERS for each in known):
            continue
        records = records if records is not None else book.records("runs", [each.run for each in newest])
        if all(_states(charge.strength, step) for charge in records[line.run].charges if charge.lot == lot):
            continue
        what = f"the content of {step.analyte}" if step.basis == CONTENT else "an assay"
        detail = (
            f"lot {lot} of {material} has no {what.split(' ', 1)[1]} of its own and counts as {counts_as:.4g} in "
            f"{len(runs)} runs; other lots have {min(known):.4g} to {max(known):.4g}"
        )
        return Found(
            "assay-missing", "lots", lot, detail, day=line.day, project=line.project, operator=line.operator,
            route=line.route, step=line.step, more={"runs": len(runs)},
        )  # fmt: skip
    return None


def _known(book: Book, step: Step, material: str, others: Sequence[Strength]) -> tuple[float, list[float]]:
    """What a lot without counts as in a step, and what other lots of its material state there."""
    if step.basis == STOICHIOMETRIC:
        return 1.0, [each.assay.value for each in others if each.assay is not None]
    if step.basis != CONTENT or step.analyte is None:
        return 1.0, []
    known = [each.contents[step.analyte].value for each in others if step.analyte in each.contents]
    stated = book.materials([material])[material].contents.get(step.analyte)
    return (0.0, []) if stated is None or stated.base() <= 0.0 else (stated.base(), known)


def _states(strength: Strength, step: Step) -> bool:
    if step.basis == CONTENT:
        return step.analyte in strength.contents
    return (strength.assay or strength.molarity or strength.mass_concentration) is not None
