"""Earlier states made again: row for row what stood there, kept within bounds, and let go."""

from __future__ import annotations

import threading
from typing import Any

import pytest

from service.errors import NotComputable
from service.record.past import Past
from service.store.session import Reading
from service.store.tables import DERIVED, revisions
from tests.store.book import CARBONATE_RUN, VITRIOL_LOT, Book, altered


def rows(reading: Reading) -> dict[str, list[tuple[Any, ...]]]:
    """Every row of a workshop, by table."""
    found = {}
    for table in (revisions, *DERIVED):
        own = table.select().where(table.c.workshop == reading.workshop_id)
        found[table.name] = sorted((tuple(row) for row in reading.connection.execute(own)), key=repr)
    return found


def test_every_row_stands_as_it_stood(book: Book) -> None:
    kept = {}

    def remember() -> None:
        with book.reading() as reading:
            kept[reading.state] = rows(reading)

    remember()
    book.fill_with_runs()
    remember()
    book.put("lots", "vitriol-1", altered(VITRIOL_LOT, assay="0.9"))
    remember()
    book.remove("runs", "R-1")
    remember()
    book.put("runs", "C-1", altered(CARBONATE_RUN, note="once more"))
    past = Past(list)
    with book.reading() as now:
        for state, before in kept.items():
            with past.reading(now, state) as (reading, _):
                assert reading.state == state
                assert rows(reading) == before
    assert len(past) == len(kept) == 4
    past.close()


def test_no_more_are_kept_than_allowed_and_what_is_in_use_stays_open(book: Book) -> None:
    book.fill_with_runs()
    past: Past[list[int]] = Past(list, most_books=2)
    with book.reading() as now:

        def asked_before(state: int) -> int:
            with past.reading(now, state) as (reading, beside):
                assert len(rows(reading)["revisions"]) == state
                beside.append(state)
                return len(beside) - 1

        with past.reading(now, 3) as (oldest, beside):
            beside.append(3)
            assert [asked_before(state) for state in (4, 5, 4)] == [0, 0, 1]
            assert len(past) == 2
            assert len(rows(oldest)["revisions"]) == 3  # let go, and open until its last reader leaves
        assert [asked_before(state) for state in (4, 3, 5)] == [2, 0, 0]
    past.close()
    assert len(past) == 0


def test_a_state_is_made_once_for_all_who_ask_for_it(book: Book) -> None:
    book.fill_with_runs()
    made: list[int] = []

    def beside() -> int:
        made.append(1)
        return len(made)

    past, found = Past(beside), []

    def ask() -> None:
        with book.reading() as now, past.reading(now, 6) as (reading, number):
            found.append((number, len(rows(reading)["revisions"])))

    askers = [threading.Thread(target=ask) for _ in range(4)]
    for asker in askers:
        asker.start()
    for asker in askers:
        asker.join()
    assert found == [(1, 6)] * 4
    past.close()


def test_a_long_past_is_refused_before_anything_is_replayed(book: Book) -> None:
    book.fill_with_runs()
    past = Past(list, most_replayed=5)
    with book.reading() as now:
        with pytest.raises(NotComputable, match="at most 5 are replayed") as refused, past.reading(now, 6):
            pass
        assert refused.value.extra == {"revisions": 6, "most_revisions": 5}
        with past.reading(now, 5) as (reading, _):
            assert reading.state == 5
    past.close()
