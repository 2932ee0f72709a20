"""The columns in memory: whatever was written in between, they are what a new process would read."""

from __future__ import annotations

import random
import threading
from dataclasses import fields
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from service.answer.book import Book
from service.answer.run_columns import Columns, _Splice
from service.answer.snapshot import Memory
from service.store.columns import CODED
from tests.answer.desk import Desk
from tests.answer.small import roast, run, shop
from tests.store.book import ROUTE, altered

NETS = ("20.41 g", "19.02 g", "20.95 g", "18.44 g", "20.10 g")


def columns(desk: Desk, memory: Memory) -> Columns:
    with desk.reading() as reading:
        return Book(reading, memory).columns


def told(found: Columns) -> list[tuple[Any, ...]]:
    """The columns as rows, their groups by name: numbers of groups differ with the order in which they were met."""
    apart = ("state", "groups", "group", "starts", "by_run", "coded")
    names = [field.name for field in fields(found) if field.name not in apart]
    columns = [getattr(found, name) for name in names] + [found.coded[name].texts() for name in CODED]
    rows = zip(*columns, strict=True)
    return [
        (found.groups[group], *("unknown" if isinstance(each, float) and np.isnan(each) else each for each in row))
        for group, row in zip(found.group, rows, strict=True)
    ]


def filled(desk: Desk) -> None:
    desk.fill()
    shop(desk)
    for number, net in enumerate(NETS):
        run(desk, f"C-{number}", outturns=[{"material": "malachite", "net": net, "assay": "0.96"}])
        roast(desk, f"R-{number}")


def write_something(desk: Desk, source: random.Random) -> None:
    """One write of any kind that moves runs, or none."""
    code, net = f"C-{source.randrange(7)}", {"material": "malachite", "net": source.choice(NETS)}
    kind = source.randrange(7)
    if kind == 0 and desk.etag("runs", code):
        desk.remove("runs", code)
    elif kind == 1:
        lot = {"material": "blue-vitriol", "amount": "500 g", "assay": f"0.9{source.randrange(10)}"}
        desk.put("lots", "vitriol-1", lot)
    elif kind == 2:
        steps = [ROUTE["steps"][0] | {"bill": ROUTE["steps"][0]["bill"][source.randrange(2) :]}, ROUTE["steps"][1]]
        change = source.choice(("correction", "revision"))
        desk.put("routes", "oxide", altered(ROUTE, steps=steps, change=change))
    elif kind == 3:
        desk.put("suppliers", "corner", {"name": f"corner shop {source.randrange(9)}"})
    elif kind == 4:
        desk.put("materials", "malachite", {"name": "malachite", "molar_mass": f"22{source.randrange(9)} g/mol"})
    elif kind == 5:
        run(desk, code, status="failed", outturns=[], shelved=False)
    else:
        run(desk, code, outturns=[net], exclude=source.choice([None, {"reason": "spilt"}]), shelved=False)


def test_after_any_write_they_are_those_of_a_new_process(desk: Desk) -> None:
    filled(desk)
    source = random.Random(3)
    kept = Memory()
    columns(desk, kept)
    for _ in range(40):
        for _ in range(source.randrange(1, 3)):
            write_something(desk, source)
        warm, cold = columns(desk, kept), columns(desk, Memory())
        assert warm.state == cold.state == desk.state()
        assert sorted(told(warm), key=str) == sorted(told(cold), key=str)
        in_order = list(zip(warm.group.tolist(), warm.day.tolist(), warm.run, strict=True))
        assert in_order == sorted(in_order)
        assert list(warm.run[warm.by_run]) == sorted(warm.run)
        assert warm.starts.tolist() == np.searchsorted(warm.group, range(len(warm.groups) + 1)).tolist()
    answers = desk.yields("oxide"), desk.cost("oxide")
    desk.memory = Memory()
    assert (desk.yields("oxide"), desk.cost("oxide")) == answers


def test_a_run_that_is_removed_is_gone(desk: Desk) -> None:
    filled(desk)
    before = columns(desk, desk.memory)
    desk.remove("runs", "C-0")
    after = columns(desk, desk.memory)
    assert set(before.run) - set(after.run) == {"C-0"}
    assert desk.yields("oxide")["steps"][0]["runs"]["counted"] == 4
    # Written anew under its old code it is there again, once.
    run(desk, "C-0", outturns=[{"material": "malachite", "net": "20.00 g"}])
    assert list(columns(desk, desk.memory).run).count("C-0") == 1


def test_what_was_published_never_changes(desk: Desk) -> None:
    filled(desk)
    before = columns(desk, desk.memory)
    rows = told(before)
    run(desk, "C-0", outturns=[{"material": "malachite", "net": "1.00 g"}])
    assert columns(desk, desk.memory) is not before
    assert told(before) == rows
    with pytest.raises(ValueError, match="read-only"):
        before.yields[0] = 1.0


def test_an_older_snapshot_reads_its_own_state(desk: Desk) -> None:
    """A reader whose snapshot was opened before a write sees none of it, though another has published it since."""
    filled(desk)
    with desk.reading() as older:
        run(desk, "C-0", outturns=[{"material": "malachite", "net": "1.00 g"}])
        desk.remove("runs", "C-1")
        newest = columns(desk, desk.memory)
        found = Book(older, desk.memory).columns
        assert found.state == older.state == newest.state - 2
        assert "C-1" in found.run
        assert found.net_g[list(found.run).index("C-0")] == 20.41
    # And what others hold is not thrown back by it.
    assert columns(desk, desk.memory) is newest


def test_readers_beside_a_writer(desk: Desk) -> None:
    """Each answer is whole: the runs of a state are as many as that state has."""
    filled(desk)
    first = desk.state()
    seen: list[tuple[int, int]] = []
    faults: list[BaseException] = []
    done = threading.Event()

    def read() -> None:
        try:
            while not done.is_set():
                found = columns(desk, desk.memory)
                seen.append((found.state, len(found.run)))
        except BaseException as error:  # told to the test, which would not see it in its own thread
            faults.append(error)

    readers = [threading.Thread(target=read) for _ in range(2)]
    for reader in readers:
        reader.start()
    for number in range(10, 30):
        run(desk, f"C-{number}", shelved=False)
    done.set()
    for reader in readers:
        reader.join()
    assert not faults
    assert {count - 10 for state, count in seen if state == first} <= {0}
    assert all(count == 10 + state - first for state, count in seen)
    assert len(columns(desk, desk.memory).run) == 30


def test_what_was_longest_unused_goes_first(desk: Desk) -> None:
    filled(desk)
    small = Memory(most_bytes=1)
    found = columns(desk, small)
    # The last that was asked for stays, however large.
    assert columns(desk, small) is found
    other = Desk(desk.database, f"{desk.workshop_id}-other")
    filled(other)
    columns(other, small)
    assert columns(desk, small) is not found
    assert told(columns(desk, small)) == told(found)


def fact(desk: Desk, memory: Memory, made: list[int]) -> int:
    with desk.reading() as reading:
        return Book(reading, memory).fact("counted", lambda: made.append(1) or len(made))


def test_a_fact_is_made_once_a_state(desk: Desk) -> None:
    """And anew after a write, whichever process wrote: the state is read from the database each time."""
    desk.fill()
    memory, made = Memory(), list[int]()
    assert fact(desk, memory, made) == fact(desk, memory, made) == 1
    desk.put("suppliers", "corner", {"name": "corner shop"})
    assert fact(desk, memory, made) == 2
    # Another workshop has its own.
    other = Desk(desk.database, f"{desk.workshop_id}-other")
    other.fill()
    assert fact(other, memory, made) == 3
    assert fact(desk, memory, made) == 2


def test_a_fact_of_an_older_snapshot_is_for_its_reader_alone(desk: Desk) -> None:
    desk.fill()
    memory, made = Memory(), list[int]()
    with desk.reading() as older:
        desk.put("suppliers", "corner", {"name": "corner shop"})
        assert fact(desk, memory, made) == 1
        assert Book(older, memory).fact("counted", lambda: -1) == -1
    assert fact(desk, memory, made) == 1


def test_facts_are_bounded(desk: Desk) -> None:
    desk.fill()
    memory = Memory(most_lines=10)
    with desk.reading() as reading:
        book = Book(reading, memory)
        first = book.fact("first", lambda: [0] * 6)
        assert book.fact("first", list) is first
        book.fact("second", lambda: [0] * 6)
        assert book.fact("first", list) == []
        # One that is too large by itself is not kept at all.
        assert len(book.fact("large", lambda: [0] * 11)) == 11
        assert book.fact("large", list) == []


def test_what_lasts_is_made_anew_of_another_thing_alone(desk: Desk) -> None:
    desk.fill()
    memory = Memory(most_lines=10)

    def made(of: object) -> list[int]:
        with desk.reading() as reading:
            return Book(reading, memory).lasting("made", of, list)

    first = made((1, "a"))
    desk.put("suppliers", "corner", {"name": "corner shop"})
    assert made((1, "a")) is first
    assert made((2, "a")) is not first
    # Of one key the newest is kept; what has grown too large is let go.
    second = made((1, "a"))
    assert second is not first
    second += [0] * 11
    made((1, "a"))
    assert made((1, "a")) is not second


def test_answers_from_kept_facts_are_those_of_a_new_process(desk: Desk) -> None:
    """After each of many writes, of plans and costs too, which rest on the shelf."""
    filled(desk)
    source = random.Random(8)
    for _ in range(12):
        write_something(desk, source)
        desk.plan("oxide", 5.0, trials=256)
        kept = desk.yields("oxide"), desk.cost("oxide"), desk.plan("oxide", 5.0, trials=256)
        memory, desk.memory = desk.memory, Memory()
        assert (desk.yields("oxide"), desk.cost("oxide"), desk.plan("oxide", 5.0, trials=256)) == kept
        desk.memory = memory


@given(st.data())
def test_lines_go_and_come_in_where_they_belong(data: st.DataObject) -> None:
    size = data.draw(st.integers(0, 12))
    places = st.integers(0, max(size - 1, 0))
    gone = sorted(data.draw(st.sets(places, max_size=size))) if size else []
    before = sorted(data.draw(st.lists(st.integers(0, size), max_size=5)))
    old, new = np.arange(size), -1 - np.arange(len(before))
    splice = _Splice(size, gone, before)
    found = splice.joined(old, new)
    kept = [place for place in range(size) if place not in gone]
    expected = np.insert(np.delete(old, gone), [sum(place < each for place in kept) for each in before], new)
    assert found.tolist() == expected.tolist()
    assert found[splice.moved()[kept]].tolist() == kept
    assert found[splice.came()].tolist() == new.tolist()
