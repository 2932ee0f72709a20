"""Many records at once: in any order, all or none, every fault at its place, and a file sent again adds nothing."""

from __future__ import annotations

import random
from typing import Any

import pytest

from service.errors import Conflict, FaultyInput, Forbidden, InvalidInput, UnknownRecord
from service.record.importing import import_report
from service.record.rebuild import rebuild
from service.store import records
from service.store.digests import derived_digests
from service.store.session import Database
from service.store.tables import DERIVED
from tests.record.import_lines import (
    CATALOGUE,
    POOL,
    SMALL,
    Line,
    as_ndjson,
    carbonate,
    line,
    roast,
    send,
)
from tests.store.book import CARBONATE_RUN, MATERIALS, ROUTE, VITRIOL_LOT, Book, altered

PROJECTS = [line("project", f"p-{number}", {"name": f"project {number}"}) for number in range(1001)]


def refusal(book: Book, lines: list[Line] | bytes, media_type: str = "application/json", **options: Any) -> Any:
    """The refusal of an import, after which everything is as it was."""
    before = book.rows()
    with pytest.raises((InvalidInput, Conflict)) as refused:
        send(book, lines, media_type, **options)
    assert book.rows() == before
    return refused.value


def places(refused: FaultyInput | Conflict) -> set[tuple[str, str]]:
    faults = refused.extra["faults"] if isinstance(refused, Conflict) else [each.as_dict() for each in refused.faults]
    return {(fault["pointer"], fault["code"]) for fault in faults}


# ---- all in order


def test_an_import_gives_what_writing_one_by_one_gives(book: Book, database: Database, workshop: str) -> None:
    lines = SMALL[::-1]
    report = send(book, lines)
    one_by_one = Book(database, workshop + "-by-hand")
    one_by_one.fill_with_runs()

    def without_states(of: Book) -> dict[str, list[Any]]:
        found = {}
        for table in DERIVED:
            places = [i for i, column in enumerate(table.columns) if column.name not in ("workshop", "state")]
            found[table.name] = sorted(([row[i] for i in places] for row in of.rows()[table.name]), key=repr)
        return found

    assert without_states(book) == without_states(one_by_one)
    assert (report["state_before"], report["state"], book.state()) == (1, 2, 2)
    assert (report["created"], report["changed"], report["unchanged"]) == (len(SMALL), 0, 0)
    assert [(told["kind"], told["code"], told["effect"]) for told in report["records"]] == [
        (each["kind"], each["code"], "created") for each in lines
    ]
    assert [told["pointer"] for told in report["records"]] == [f"/{i}" for i in range(len(lines))]


def test_what_is_derived_is_what_the_revisions_give(book: Book) -> None:
    send(book, [*SMALL, *PROJECTS, line("pool", "P-1", POOL), roast(2, "malachite-p")])
    with book.reading() as reading:
        before = derived_digests(reading)
    rebuild(book.database, book.workshop_id)
    with book.reading() as reading:
        assert derived_digests(reading) == before


def test_a_chain_of_runs_and_pools_comes_in_any_order(book: Book) -> None:
    pools = [
        line("pool", "P-1", POOL),
        line("pool", "P-2", {**POOL, "from": [{"lot": "malachite-p", "amount": "2 g"}], "lot": "q"}),
    ]
    lines = [roast(9, "q"), *pools[::-1], carbonate(2), roast(2, "malachite-2"), *SMALL]
    for seed in range(3):
        other = Book(book.database, f"{book.workshop_id}-{seed}")
        assert send(other, random.Random(seed).sample(lines, len(lines)))["created"] == len(lines)
    assert other.left("q") < 0


@pytest.mark.parametrize(
    "as_lines", [lambda lines: (lines, "application/json"), lambda lines: (as_ndjson(lines), "application/x-ndjson")]
)
def test_a_file_sent_ten_times_adds_its_records_once(book: Book, as_lines: Any) -> None:
    payload, media_type = as_lines(SMALL)
    first = send(book, payload, media_type)
    rows = book.rows()
    again = [send(book, payload, media_type) for _ in range(9)]
    assert book.rows() == rows
    assert len({report["code"] for report in again}) == 1
    assert {(report["created"], report["changed"], report["unchanged"]) for report in again} == {(0, 0, len(SMALL))}
    assert {(report["state_before"], report["state"]) for report in again} == {(2, 2)}
    with book.reading() as reading:
        assert import_report(reading, first["code"]) == first
        assert import_report(reading, again[0]["code"]) == again[0]


def test_a_dry_run_says_what_would_be_and_writes_nothing(book: Book) -> None:
    send(book, CATALOGUE)
    before = book.rows()
    told = send(book, SMALL, dry_run=True)
    assert book.rows() == before
    with book.reading() as reading, pytest.raises(UnknownRecord):
        import_report(reading, told["code"])
    done = send(book, SMALL)
    assert told == {**done, "dry_run": True, "state": done["state_before"]}
    assert (done["created"], done["unchanged"]) == (2, len(CATALOGUE))


def test_a_report_is_of_its_workshop(book: Book) -> None:
    code = send(book, CATALOGUE)["code"]
    other = Book(book.database, f"other-{book.workshop_id}")
    with other.reading() as reading, pytest.raises(UnknownRecord):
        import_report(reading, code)


# ---- states


def test_the_state_moves_once_for_500_records_written(book: Book) -> None:
    report = send(book, PROJECTS)
    assert (report["state_before"], report["state"]) == (1, 4)
    with book.reading() as reading:
        states = [change.state for _, change in records.changes(reading, 1, 2000)]
    assert states == [2] * 500 + [3] * 500 + [4]


def test_no_state_is_begun_for_what_stands_already(book: Book) -> None:
    send(book, PROJECTS[500:])
    assert send(book, PROJECTS)["state"] == book.state() == 4
    assert send(book, PROJECTS, replace=True)["state"] == 4


# ---- what stands already


def test_a_record_that_differs_is_refused_at_its_place_unless_it_is_replaced(book: Book) -> None:
    send(book, SMALL)
    lines = [*SMALL[:-2], line("run", "C-1", altered(CARBONATE_RUN, note="again", tags=["late"])), SMALL[-1]]
    lines[0] = line("project", "pigments", {"name": "other"})
    refused = refusal(book, lines)
    assert isinstance(refused, Conflict)
    assert places(refused) == {("/0/code", "differs"), (f"/{len(lines) - 2}/code", "differs")}
    assert refused.code == "differs"
    assert "note, tags" in refused.extra["faults"][1]["detail"]
    report = send(book, lines, replace=True)
    assert (report["created"], report["changed"], report["unchanged"], report["state"]) == (0, 2, len(lines) - 2, 3)
    # Statistics group by tags: the outcome repeats them, and moves with them.
    assert book.etag("runs", "C-1") == "r2-o3"


def test_who_rests_on_a_record_that_differs_is_not_blamed(book: Book) -> None:
    send(book, [*CATALOGUE, line("run", "C-1", altered(CARBONATE_RUN, outturns=[], status="open", finished_on=None))])
    lines = SMALL[::-1]
    assert places(refusal(book, lines)) == {("/1/code", "differs")}
    assert send(book, lines, replace=True)["created"] == 1


def test_other_runs_that_come_out_different_are_counted(book: Book) -> None:
    send(book, SMALL)
    report = send(book, [line("lot", "vitriol-1", {**VITRIOL_LOT, "assay": "0.90"})], replace=True)
    assert (report["changed"], report["runs_moved"]) == (1, 1)
    report = send(book, [line("lot", "vitriol-1", VITRIOL_LOT), SMALL[-2]], replace=True)
    assert (report["changed"], report["unchanged"], report["runs_moved"]) == (1, 1, 0)


def test_a_route_says_what_its_change_is(book: Book) -> None:
    send(book, SMALL)
    route = altered(ROUTE)
    route["steps"][1]["basis"] = "mass-ratio"
    (where,) = (i for i, each in enumerate(SMALL) if each["kind"] == "route")
    lines = [*SMALL]
    lines[where] = line("route", "oxide", route)
    assert places(refusal(book, lines, replace=True)) == {(f"/{where}/record/change", "change-needed")}
    lines[where] = line("route", "oxide", {**route, "change": "correction"})
    send(book, lines, replace=True)
    assert book.outcome("R-1").row["basis"] == "mass-ratio"


def test_a_lot_that_a_run_makes_is_written_through_the_run(book: Book) -> None:
    send(book, SMALL)
    lot = line("lot", "malachite-1", {"material": "malachite", "amount": "3 g"})
    assert places(refusal(book, [lot], replace=True)) == {("/0/record", "written-through")}


def test_the_first_record_of_a_workshop_gives_way_to_one_that_somebody_wrote(book: Book) -> None:
    own = [line("workshop", "workshop", {"title": "attic", "currency": "EUR"})]
    with pytest.raises(Forbidden):
        send(book, own, may_change_workshop=False)
    assert book.state() == 1
    assert send(book, own)["changed"] == 1
    assert send(book, own, may_change_workshop=False)["unchanged"] == 1
    other = [line("workshop", "workshop", {"title": "cellar", "currency": "EUR"})]
    assert places(refusal(book, other)) == {("/0/code", "differs")}
    with pytest.raises(Forbidden):
        send(book, other, replace=True, may_change_workshop=False)
    assert send(book, other, replace=True)["changed"] == 1


def test_the_workshop_waits_for_the_materials_of_its_limits(book: Book) -> None:
    limit = {"material": "soda-ash", "source": "own rule", "on": "2026-01-01", "largest_amount": "5 kg"}
    own = line("workshop", "workshop", {"currency": "EUR", "limits": [limit]})
    assert send(book, [own, line("material", "soda-ash", MATERIALS["soda-ash"])])["created"] == 1


# ---- faults


def test_faults_of_all_lines_come_at_once_and_nobody_is_blamed_for_another(book: Book) -> None:
    lines = [
        *CATALOGUE,
        line("run", "C-1", altered(CARBONATE_RUN, statuss="x", finished_on="2026-13-01")),
        line("run", "R-1", SMALL[-1]["record"]),
        roast(2, "malachite-2"),
        carbonate(2, step="carbonat"),
        roast(3, "no-such-lot"),
        line("projekt", "sets", {"name": "sets"}),
        carbonate(4, project="sets"),
        carbonate(5, project="pigment"),
        line("lot", "vitriol-1", VITRIOL_LOT),
        line("run", "-", {}),
        carbonate(6),
    ]
    first = len(CATALOGUE)
    refused = refusal(book, lines)
    assert isinstance(refused, InvalidInput)
    assert places(refused) == {
        (f"/{first}/record/statuss", "unknown-key"),
        (f"/{first}/record/finished_on", "bad-date"),
        (f"/{first + 3}/record/step", "unknown-reference"),
        (f"/{first + 4}/record/charges/0/lot", "unknown-reference"),
        (f"/{first + 5}/kind", "unknown-kind"),
        (f"/{first + 7}/record/project", "unknown-reference"),
        (f"/{first + 8}/code", "repeated-code"),
        (f"/{first + 9}/code", "bad-code"),
        *((f"/{first + 9}/record/{key}", "missing") for key in ("route", "step", "status", "charges")),
    }
    pointers = [int(str(fault.pointer).split("/")[1]) for fault in refused.faults]
    assert pointers == sorted(pointers)
    assert "nothing was imported: 12 faults" in refused.detail


def test_a_refused_record_that_somebody_rests_on_through_many_is_told_alone(book: Book) -> None:
    broken = line("material", "malachite", {"name": "x", "formula": "Xx"})
    lines = [broken if each["code"] == "malachite" else each for each in SMALL]
    assert [fault.code for fault in refusal(book, lines).faults] == ["bad-formula"]


def test_a_hundred_faults_are_shown_and_the_rest_is_counted(book: Book) -> None:
    refused = refusal(book, [line("project", f"p-{i}", {}) for i in range(10_000)])
    shown, left = refused.shown()
    assert (len(shown), left) == (100, 9900)
    send(book, PROJECTS)
    differing = refusal(book, [line("project", each["code"], {"name": "other"}) for each in PROJECTS[:150]])
    assert (len(differing.extra["faults"]), differing.extra["more_faults"]) == (100, 50)


def test_runs_that_wait_for_each_other_are_a_circle(book: Book) -> None:
    def taking(number: int, lot: str) -> Line:
        return carbonate(number, charges=[*CARBONATE_RUN["charges"], {"lot": lot, "amount": "1 g"}])

    lines = [
        *CATALOGUE,
        roast(1, "malachite-2"),
        taking(2, "malachite-3"),
        taking(3, "malachite-2"),
        carbonate(4),
    ]
    at = len(CATALOGUE)
    assert places(refusal(book, lines)) == {
        (f"/{at + 1}/record/charges/3/lot", "circle"),
        (f"/{at + 2}/record/charges/3/lot", "circle"),
    }


def test_a_run_is_never_made_from_itself_by_way_of_what_stands(book: Book) -> None:
    send(book, SMALL)
    charges = [*CARBONATE_RUN["charges"], {"lot": "oxide-1", "amount": "1 g"}]
    refused = refusal(book, [line("run", "C-1", altered(CARBONATE_RUN, charges=charges))], replace=True)
    assert places(refused) == {
        ("/0/record/outturns/0/lot", "own-ancestor"),
        ("/0/record/charges/3/lot", "before-it-existed"),
    }


def test_a_table_is_refused_by_line_and_column(book: Book) -> None:
    send(book, CATALOGUE)
    heading = "route;step;run;status;direction;material;lot;amount;gross;tare\n"
    table = heading + (
        "oxide;carbonate;C-1;finished;in;;vitriol-9;50.0 g;;\n"
        "oxide;carbonate;C-1;finished;in;soda-ash;;23,5 g;;\n"
        "oxide;carbonate;C-1;finished;out;malachite;malachite-1;;142.31 g;121.90 g\n"
        "oxide;roast;R-1;open;in;;malachite-1;10 g;;\n"
        "oxide;roasting;R-2;open;in;;vitriol-1;10 g;;\n"
        "oxide;carbonate;C-2;open;in;;vitriol-9;10 g;;\n"
    )
    refused = refusal(book, table.encode(), "text/csv")
    assert [(fault.line, fault.column, fault.code) for fault in refused.faults] == [
        (3, "amount", "decimal-comma"),
        (6, "step", "unknown-reference"),
        (7, "lot", "unknown-reference"),
    ]
    assert "vitriol-1" in refused.faults[2].detail
    whole = table.replace("vitriol-9", "vitriol-1").replace("23,5", "23.5").replace("roasting;R-2", "carbonate;R-2")
    report = send(book, whole.encode(), "text/csv")
    assert (report["lines"], report["created"], report["rows"], report["rows_not_filled_in"]) == (4, 4, 6, 0)
    assert [told["line"] for told in report["records"]] == [2, 5, 6, 7]


def test_what_is_unknown_is_counted_in_all_lines_though_no_more_is_looked_for(book: Book) -> None:
    send(book, [*CATALOGUE, *PROJECTS])
    refused = refusal(book, [carbonate(number, project=f"q-{number}") for number in range(300)])
    shown, left = refused.shown()
    assert {fault.code for fault in refused.faults} == {"unknown-reference"}
    assert (len(shown), left) == (100, 200)
    assert "did you mean" in shown[0].detail
