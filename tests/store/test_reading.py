"""Reading records, lists, changes and columns."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from service.store import records
from service.store.columns import NO_DAY, read_columns
from service.store.listing import LISTED, count, filters_of, page
from service.store.tables import KINDS
from tests.store.book import MATERIALS, ROAST_RUN, Book, altered


def codes(book: Book, kind: str, filters: dict[str, list[str]], *sort: tuple[str, bool], limit: int = 100) -> list[str]:
    """All codes of a list, taken in pages of ``limit``."""
    found: list[str] = []
    after: Any = None
    with book.reading() as reading:
        while True:
            got = page(reading, kind, filters, sort, after, limit)
            found += [stored.code for stored in got.records]
            assert len(got.records) <= limit
            if (after := got.after) is None:
                assert len(found) == count(reading, kind, filters)
                return found


def test_a_record_is_read_as_it_was_written(book: Book) -> None:
    body = {
        "phase": "solid",
        "name": "Grün\tspan \U0001f9ea \u2009",
        "density": {"value": "1.10", "unit": "g/mL", "uncertainty": None},
    }
    book.put("materials", "verdigris", body)
    with book.reading() as reading:
        stored = records.current(reading, "materials", "verdigris")
    assert stored is not None
    assert (stored.body, list(stored.body), stored.etag) == (body, list(body), "r1")
    assert (stored.by, stored.at) == ("m1", "2026-05-01T12:00:00.000000Z")


def test_history_and_revisions(book: Book) -> None:
    book.put("materials", "water", MATERIALS["water"])
    book.put("materials", "water", altered(MATERIALS["water"], name="rain"))
    with book.reading() as reading:
        assert [stored.body["name"] for stored in records.history(reading, "materials", "water")] == ["rain", "water"]
        first = records.first(reading, "materials", "water")
        assert first is not None
        assert first.body["name"] == "water"
        assert records.at_revision(reading, "materials", "water", 3) is None


def test_many_reads_the_newest_of_each(filled: Book) -> None:
    filled.put("materials", "water", altered(MATERIALS["water"], name="rain"))
    with filled.reading() as reading:
        found = records.many(reading, "materials", ["water", "soda-ash", "nothing"])
        assert [(stored.code, stored.revision) for stored in found] == [("soda-ash", 1), ("water", 2)]
        assert len(records.many(reading, "materials")) == len(MATERIALS)
        assert [stored.etag for stored in records.many(reading, "runs")] == ["r1-o12", "r1-o13"]
        assert records.many(reading, "materials", []) == []


def test_changes_are_told_in_the_order_of_writing(book: Book) -> None:
    since = book.state()
    book.put("projects", "a", {"name": "a"})
    book.put("projects", "b", {"name": "b"})
    book.remove("projects", "a")
    with book.reading() as reading:
        told = records.changes(reading, since, 10)
        assert [(change.code, change.state, change.deleted) for _, change in told] == [
            ("a", since + 1, False),
            ("b", since + 2, False),
            ("a", since + 3, True),
        ]
        place = told[0][0]
        assert [change.code for _, change in records.changes(reading, since, 1, place)] == ["b"]


@pytest.fixture
def listed(filled: Book) -> Book:
    """Five more runs with days, and two projects."""
    for i, day in enumerate(("2026-05-03", "2026-05-01", "2026-05-02", None, "2026-05-01")):
        run = altered(ROAST_RUN, project="pigments" if i % 2 else None, finished_on=day)
        run["charges"] = [{"material": "malachite", "amount": "10 g"}]
        run["outturns"] = [{"material": "copper-oxide", "net": "6.1 g"}]
        filled.put("runs", f"L-{i}", {name: value for name, value in run.items() if value is not None})
    return filled


@pytest.mark.parametrize("limit", [1, 2, 3, 100])
def test_a_list_is_sorted_and_complete_at_every_page_size(listed: Book, limit: int) -> None:
    assert codes(listed, "runs", {}, limit=limit) == ["C-1", "L-0", "L-1", "L-2", "L-3", "L-4", "R-1"]
    by_day = ["L-3", "C-1", "R-1", "L-1", "L-4", "L-2", "L-0"]
    assert codes(listed, "runs", {}, ("finished_on", False), limit=limit) == by_day
    newest = ["L-0", "L-2", "L-1", "L-4", "R-1", "C-1", "L-3"]
    assert codes(listed, "runs", {}, ("finished_on", True), limit=limit) == newest
    by_project = ["R-1", "L-4", "L-2", "L-0", "L-3", "L-1", "C-1"]
    assert codes(listed, "runs", {}, ("project", False), ("code", True), limit=limit) == by_project
    assert codes(listed, "runs", {}, ("excluded", False), limit=limit)[0] == "C-1"


def test_filters(listed: Book) -> None:
    assert codes(listed, "runs", {"step": ["carbonate"]}) == ["C-1"]
    assert codes(listed, "runs", {"code": ["C-1", "R-1", "none"]}) == ["C-1", "R-1"]
    assert codes(listed, "runs", {"finished_on_from": ["2026-05-01"], "finished_on_to": ["2026-05-02"]}) == [
        "L-1",
        "L-2",
        "L-4",
    ]
    assert codes(listed, "runs", {"excluded": ["true"]}) == []
    assert codes(listed, "materials", {"solvent": ["true"]}) == ["water"]
    assert codes(listed, "lots", {}) == ["malachite-1", "oxide-1", "vitriol-1"]
    with listed.reading() as reading:
        for wrong in ({"nothing": ["x"]}, {"step_from": ["x"]}, {"finished_on_until": ["x"]}):
            with pytest.raises(KeyError):
                page(reading, "runs", wrong, (), None, 10)
        with pytest.raises(KeyError):
            page(reading, "runs", {}, [("workshop", False)], None, 10)


def test_a_list_of_lots_says_through_what_each_was_written(filled: Book) -> None:
    with filled.reading() as reading:
        found = page(reading, "lots", {}, (), None, 10).records
    assert [(stored.code, stored.source) for stored in found] == [
        ("malachite-1", ("runs", "C-1")),
        ("oxide-1", ("runs", "R-1")),
        ("vitriol-1", None),
    ]


@pytest.mark.parametrize("kind", KINDS)
def test_every_column_that_is_listed_is_there(book: Book, kind: str) -> None:
    for name in LISTED[kind]:
        codes(book, kind, {}, (name, True))
    for name in filters_of(kind):
        assert codes(book, kind, {name: ["2026-01-01"]}) == []


# ---- columns


def test_columns_hold_what_the_outcomes_hold(listed: Book) -> None:
    with listed.reading() as reading:
        rows = read_columns(reading)
    assert list(rows.run) == ["C-1", "L-0", "L-1", "L-2", "L-3", "L-4", "R-1"]
    assert (len(rows), rows.state, rows.removed) == (7, listed.state(), ())
    outcome = listed.outcome("C-1").row
    assert rows.yields[0] == outcome["yield_fraction"]
    operators = rows.coded["operator"].texts()
    assert (operators[0], operators[1], rows.coded["key_lot"].texts()[0]) == ("m1", None, "vitriol-1")
    assert (rows.finished_on[0], rows.finished_on[4]) == (739718, NO_DAY)
    assert rows.excluded.dtype == np.bool_
    assert not rows.excluded.any()


def test_columns_since_a_state_hold_only_what_moved(filled: Book) -> None:
    since = filled.state()
    with filled.reading() as reading:
        assert len(read_columns(reading, since)) == 0
    filled.put("runs", "R-1", altered(ROAST_RUN, operator="m2"))
    filled.put("projects", "other", {"name": "other"})
    with filled.reading() as reading:
        rows = read_columns(reading, since)
    assert (list(rows.run), list(rows.coded["operator"].texts()), rows.removed) == (["R-1"], ["m2"], ())
    since = filled.state()
    filled.remove("runs", "R-1")
    with filled.reading() as reading:
        rows = read_columns(reading, since)
    assert (len(rows), rows.removed) == (0, ("R-1",))
    filled.put("runs", "R-1", ROAST_RUN)
    with filled.reading() as reading:
        rows = read_columns(reading, since)
    assert (list(rows.run), rows.removed) == (["R-1"], ())


def test_unknown_masses_are_nan_in_columns_only(filled: Book) -> None:
    open_run = {name: value for name, value in ROAST_RUN.items() if name not in ("outturns", "finished_on")}
    filled.put("runs", "O-1", altered(open_run, status="open", charges=[{"material": "malachite", "amount": "1 g"}]))
    with filled.reading() as reading:
        rows = read_columns(reading)
    place = list(rows.run).index("O-1")
    assert np.isnan(rows.yields[place])
    assert filled.outcome("O-1").row["yield_fraction"] is None
