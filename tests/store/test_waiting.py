"""Rows that wait: they reach the tables as they are, in an order that foreign keys allow, before anything is read."""

from __future__ import annotations

import math
import secrets

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from sqlalchemy import event, select
from sqlalchemy.exc import IntegrityError

from service.store import records
from service.store.rows import upsert
from service.store.tables import KINDS, links, outcomes
from tests.store.book import AT, Book

RUN = {
    "code": "R-1", "revision": 1, "route": "oxide", "route_revision": 1, "step": "carbonate", "status": "open",
    "project": None, "operator": None, "started_on": None, "finished_on": None, "excluded": 0,
}  # fmt: skip
texts = st.text(st.characters(exclude_characters="\x00", exclude_categories=["Cs"]), max_size=20)
doubles = st.floats(allow_nan=False, allow_infinity=False)


def append(book: Book, *texts: str, error: Exception | None = None) -> None:
    """Append one revision of a project, over and over."""
    with book.database.writing(book.workshop_id, "bench", AT) as writing:
        for text in texts:
            records.append(writing, "projects", "pigments", 1, text, None)
        if error is not None:
            raise error


def outcome(note: str, number: float | None) -> dict[str, object]:
    row: dict[str, object] = dict.fromkeys(column.name for column in outcomes.columns)
    row |= {"run": "R-1", "route": "oxide", "step": "carbonate", "pooled_as": "p", "basis": "b", "status": "open"}
    row |= {"excluded": 0, "detail": note, "yield_fraction": number}
    return {name: value for name, value in row.items() if name not in ("workshop", "state")}


@settings(max_examples=30, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(texts, doubles)
def test_text_and_numbers_arrive_to_the_last_digit(filled: Book, note: str, number: float) -> None:
    with filled.database.writing(filled.workshop_id, "bench", AT) as writing:
        upsert(writing, KINDS["runs"], [RUN])
        upsert(writing, outcomes, [outcome(note, number)])
        columns = (outcomes.c.detail, outcomes.c.yield_fraction, outcomes.c.net_g)
        found = writing.connection.execute(
            select(*columns).where(outcomes.c.workshop == filled.workshop_id, outcomes.c.run == "R-1")
        ).one()
        writing.abandon()
    assert tuple(found) == (note, number, None)
    assert math.copysign(1.0, found.yield_fraction) == math.copysign(1.0, number) or number == 0.0


def test_of_several_rows_with_one_key_the_last_counts(filled: Book) -> None:
    with filled.database.writing(filled.workshop_id, "bench", AT) as writing:
        upsert(writing, KINDS["runs"], [RUN, RUN | {"status": "failed"}])
        upsert(writing, KINDS["runs"], [RUN | {"status": "abandoned"}])
    told = [row for row in filled.rows()["runs"] if "R-1" in row]
    assert len(told) == 1
    assert "abandoned" in told[0]


def test_rows_go_after_those_that_they_refer_to(book: Book) -> None:
    project = {"code": "pigments", "name": "pigment bench", "revision": 1}
    lot = dict.fromkeys(column.name for column in KINDS["lots"].columns) | {"code": "l", "material": "chalk"}
    lot |= {"dimension": "mass", "strength": "{}", "source_kind": "runs", "source_code": "R-1", "origin": "made"}
    lot |= {"recounts": 0}
    material = dict.fromkeys(column.name for column in KINDS["materials"].columns)
    material |= {"code": "chalk", "revision": 1, "name": "chalk", "solvent": 0}
    with book.database.writing(book.workshop_id, "bench", AT) as writing:
        upsert(writing, KINDS["lots"], [lot | {"project": "pigments"}])
        upsert(writing, KINDS["materials"], [material])
        upsert(writing, KINDS["projects"], [project])
    assert len(book.rows()["lots"]) == 1


def test_the_truth_is_never_written_over(book: Book) -> None:
    before = book.rows()
    with pytest.raises(IntegrityError):
        append(book, '{"name":"one"}', '{"name":"two"}')
    assert book.rows() == before


def test_what_waits_is_bounded(book: Book, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("service.store.waiting.MOST_WAITING", 10)
    sent = []
    listener = lambda _connection, _cursor, statement, *_: sent.append(statement)
    with book.database.writing(book.workshop_id, "bench", AT) as writing:
        event.listen(book.database._engine, "before_cursor_execute", listener)
        own = {"from_kind": "runs", "from_code": "R-1", "to_kind": "lots"}
        upsert(writing, links, [own | {"to_code": secrets.token_hex(8)} for _ in range(35)])
        event.remove(book.database._engine, "before_cursor_execute", listener)
        assert len(sent) == 3
    assert len(book.rows()["links"]) == 35


def test_a_write_that_is_left_early_writes_nothing(book: Book) -> None:
    before = book.rows()
    with pytest.raises(ValueError, match="the pen broke"):
        append(book, "{}", error=ValueError("the pen broke"))
    assert book.rows() == before
