"""Import lines of the small workshop, and the ways in which tests send them."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

from service.record.importing import import_records
from tests.store.book import AT, CARBONATE_RUN, MATERIALS, ROAST_RUN, ROUTE, VITRIOL_LOT, Book, altered

Line = dict[str, Any]


def line(kind: str, code: str, record: Any) -> Line:
    """One line of an import."""
    return {"kind": kind, "code": code, "record": record}


CATALOGUE: list[Line] = [
    line("project", "pigments", {"name": "pigment bench"}),
    *(line("material", code, body) for code, body in MATERIALS.items()),
    line("route", "oxide", ROUTE),
    line("lot", "vitriol-1", VITRIOL_LOT),
]
SMALL: list[Line] = [*CATALOGUE, line("run", "C-1", CARBONATE_RUN), line("run", "R-1", ROAST_RUN)]
POOL = {"made_on": "2026-04-19", "from": [{"lot": "malachite-1", "amount": "5 g"}], "lot": "malachite-p"}


def carbonate(number: int, **changes: Any) -> Line:
    """The line of one more run that makes malachite."""
    outturn = {**CARBONATE_RUN["outturns"][0], "lot": f"malachite-{number}"}
    return line("run", f"C-{number}", altered(CARBONATE_RUN, outturns=[outturn], **changes))


def roast(number: int, lot: str, **changes: Any) -> Line:
    """The line of one more run that roasts a lot."""
    outturn = {**ROAST_RUN["outturns"][0], "lot": f"oxide-{number}"}
    charge = {"lot": lot, "amount": "10.00 g"}
    return line("run", f"R-{number}", altered(ROAST_RUN, charges=[charge], outturns=[outturn], **changes))


def as_json(lines: Iterable[Line]) -> bytes:
    """The lines as a JSON array."""
    return json.dumps(list(lines), ensure_ascii=False).encode()


def as_ndjson(lines: Iterable[Line]) -> bytes:
    """The lines as NDJSON."""
    return "".join(json.dumps(each, ensure_ascii=False) + "\n" for each in lines).encode()


def send(
    book: Book, lines: Sequence[Line] | bytes, media_type: str = "application/json", **options: Any
) -> dict[str, Any]:
    """Import lines, or a file as it is, and return the report."""
    payload = lines if isinstance(lines, bytes) else as_json(lines)
    options = {"may_change_workshop": True, "by": "m1", "at": AT} | options
    return import_records(book.database, book.workshop_id, payload, media_type, **options)
